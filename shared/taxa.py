"""Taxa and life stages: names a volunteer may write, and what they mean.

One entry in :data:`TAXA` is all a new taxon needs.
"""

from __future__ import annotations

from dataclasses import dataclass

ALL_STAGES = "all"
"""Life stage of a stated total over the stages of a taxon (checked, never loaded as a count)."""

UNSTAGED = "unspecified"
"""Life stage of a count whose sheet does not say one."""


@dataclass(frozen=True, slots=True)
class LifeStage:
    """A named stage, with the headings and cells that mean it."""

    id: str
    spellings: tuple[str, ...]
    description: str


STAGES: dict[str, LifeStage] = {
    stage.id: stage
    for stage in (
        LifeStage("leptocephalus", ("leptocephalus", "leptocephali"), "Leaf-shaped larva at sea."),
        LifeStage(
            "glass eel",
            ("glass eel", "glass eels", "glass", "glasseel", "glasseels", "ge", "yoy glass"),
            "Unpigmented to partly pigmented arrival from the sea.",
        ),
        LifeStage(
            "elver",
            ("elver", "elvers", "pigmented", "pigmented yoy", "pigmented eel", "elv"),
            "Pigmented young of the year or a little older.",
        ),
        LifeStage(
            "yellow eel",
            ("yellow eel", "yellow eels", "yellow", "yellows"),
            "Growing, resident eel.",
        ),
        LifeStage(
            "silver eel",
            ("silver eel", "silver eels", "silver", "silvers"),
            "Maturing eel on its way to sea.",
        ),
        LifeStage(
            "young of year",
            ("yoy", "young of year", "young of the year", "0+"),
            "Fish of this year's brood.",
        ),
        LifeStage("juvenile", ("juvenile", "juveniles", "juv", "juvs"), "Not yet mature."),
        LifeStage("adult", ("adult", "adults", "ad"), "Mature."),
        LifeStage(
            UNSTAGED, (UNSTAGED, "unknown", "mixed", "not staged"), "The sheet does not say."
        ),
        LifeStage(
            ALL_STAGES,
            (ALL_STAGES, "total", "totals", "all stages", "combined"),
            "A stated total over stages.",
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Taxon:
    """One taxon that may be counted.

    ``default_stage`` is what a bare common name means ("elvers" names taxon and
    stage at once; those spellings live in ``staged_names``: spelling -> stage).
    ``protected`` marks bycatch the coordinator wants to hear of the same day.
    """

    id: str
    scientific_name: str
    rank: str
    vernacular: str
    spellings: tuple[str, ...]
    staged_names: tuple[tuple[str, str], ...] = ()
    default_stage: str = UNSTAGED
    protected: bool = False


TAXA: dict[str, Taxon] = {
    taxon.id: taxon
    for taxon in (
        Taxon(
            "anguilla-rostrata",
            "Anguilla rostrata",
            "species",
            "American eel",
            (
                "american eel",
                "american eels",
                "eel",
                "eels",
                "a rostrata",
                "a. rostrata",
                "anguilla rostrata",
                "anguilla",
            ),
            (
                ("glass eel", "glass eel"),
                ("glass eels", "glass eel"),
                ("glass", "glass eel"),
                ("glasseel", "glass eel"),
                ("glasseels", "glass eel"),
                ("ge", "glass eel"),
                ("elver", "elver"),
                ("elvers", "elver"),
                ("yellow eel", "yellow eel"),
                ("yellow eels", "yellow eel"),
                ("silver eel", "silver eel"),
                ("silver eels", "silver eel"),
            ),
        ),
        Taxon(
            "fundulus-heteroclitus",
            "Fundulus heteroclitus",
            "species",
            "Mummichog",
            ("mummichog", "mummichogs", "mummies", "killifish", "f heteroclitus"),
        ),
        Taxon(
            "gasterosteus-aculeatus",
            "Gasterosteus aculeatus",
            "species",
            "Threespine stickleback",
            (
                "stickleback",
                "sticklebacks",
                "threespine stickleback",
                "3-spine stickleback",
                "3 spine stickleback",
                "three-spined stickleback",
                "3sp stickleback",
                "g aculeatus",
            ),
        ),
        Taxon(
            "apeltes-quadracus",
            "Apeltes quadracus",
            "species",
            "Fourspine stickleback",
            (
                "fourspine stickleback",
                "4-spine stickleback",
                "4 spine stickleback",
                "four-spined stickleback",
                "a quadracus",
            ),
        ),
        Taxon(
            "pungitius-pungitius",
            "Pungitius pungitius",
            "species",
            "Ninespine stickleback",
            ("ninespine stickleback", "9-spine stickleback", "9 spine stickleback"),
        ),
        Taxon(
            "palaemon",
            "Palaemon",
            "genus",
            "Grass shrimp",
            (
                "grass shrimp",
                "shore shrimp",
                "palaemonetes",
                "palaemon",
            ),
        ),
        # A bare "shrimp" says no more than this; what it was is not ours to guess.
        Taxon(
            "caridea",
            "Caridea",
            "infraorder",
            "Shrimp",
            ("shrimp", "shrimps", "prawn", "prawns", "caridea"),
        ),
        Taxon(
            "crangon-septemspinosa",
            "Crangon septemspinosa",
            "species",
            "Sand shrimp",
            ("sand shrimp", "crangon", "sevenspine bay shrimp"),
        ),
        Taxon(
            "menidia-menidia",
            "Menidia menidia",
            "species",
            "Atlantic silverside",
            ("atlantic silverside", "atlantic silversides", "silverside", "silversides", "menidia"),
        ),
        Taxon(
            "alosa-pseudoharengus",
            "Alosa pseudoharengus",
            "species",
            "Alewife",
            ("alewife", "alewives", "river herring", "gaspereau", "a pseudoharengus"),
            protected=True,
        ),
        Taxon(
            "alosa-aestivalis",
            "Alosa aestivalis",
            "species",
            "Blueback herring",
            ("blueback herring", "blueback", "bluebacks"),
            protected=True,
        ),
        Taxon(
            "acipenser",
            "Acipenser",
            "genus",
            "Sturgeon",
            ("sturgeon", "sturgeons", "acipenser"),
            protected=True,
        ),
        Taxon(
            "microgadus-tomcod",
            "Microgadus tomcod",
            "species",
            "Atlantic tomcod",
            ("tomcod", "tomcods", "atlantic tomcod", "frostfish"),
        ),
        Taxon(
            "osmerus-mordax",
            "Osmerus mordax",
            "species",
            "Rainbow smelt",
            ("smelt", "smelts", "rainbow smelt", "osmerus mordax"),
        ),
        Taxon(
            "morone-saxatilis",
            "Morone saxatilis",
            "species",
            "Striped bass",
            ("striped bass", "striper", "stripers", "rockfish", "morone saxatilis"),
        ),
        Taxon(
            "morone-americana",
            "Morone americana",
            "species",
            "White perch",
            ("white perch", "morone americana"),
        ),
        Taxon(
            "pseudopleuronectes-americanus",
            "Pseudopleuronectes americanus",
            "species",
            "Winter flounder",
            ("winter flounder", "flounder", "flounders"),
        ),
        Taxon(
            "syngnathus-fuscus",
            "Syngnathus fuscus",
            "species",
            "Northern pipefish",
            ("pipefish", "northern pipefish"),
        ),
        Taxon(
            "carcinus-maenas",
            "Carcinus maenas",
            "species",
            "Green crab",
            ("green crab", "green crabs", "shore crab", "shore crabs"),
        ),
        Taxon(
            "callinectes-sapidus",
            "Callinectes sapidus",
            "species",
            "Blue crab",
            ("blue crab", "blue crabs"),
        ),
        Taxon(
            "gammarus",
            "Gammarus",
            "genus",
            "Scud",
            ("scud", "scuds", "amphipods", "amphipod", "gammarus"),
        ),
        Taxon(
            "petromyzon-marinus",
            "Petromyzon marinus",
            "species",
            "Sea lamprey",
            ("sea lamprey", "lamprey", "lampreys"),
        ),
        Taxon(
            "teleostei",
            "Teleostei",
            "infraclass",
            "Other fish",
            (
                "other fish",
                "other fishes",
                "fish other",
                "fish (other)",
                "misc fish",
                "bycatch",
                "by-catch",
                "by catch",
                "fish",
            ),
        ),
    )
}
"""Taxon id -> taxon. Spellings are lower case; matching folds case, dots and plurals."""
