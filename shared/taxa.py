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


@dataclass(frozen=True, slots=True)
class Habit:
    """What the reference list expects of one life stage (None: of any) of a taxon.

    ``months`` in which it may be met on a northern coast, None: any, empty: never in a creek.
    ``length`` [mm] and ``weight`` [g] of one animal, ``condition`` by Fulton's formula,
    K = 1e5 W / L^3. Generous: what lies outside is asked about.
    """

    stage: str | None = None
    months: tuple[int, ...] | None = None
    length: tuple[float, float] | None = None
    weight: tuple[float, float] | None = None
    condition: tuple[float, float] | None = None
    source: str = "common practice"


@dataclass(frozen=True, slots=True)
class Expected:
    """Where a taxon lives: degrees north, and whether it is never met in fresh water."""

    latitude: tuple[float, float]
    habits: tuple[Habit, ...]
    salt_only: bool = False
    source: str = "common practice"


FRESH_BELOW = 0.5
"""Salinity below which water is fresh: the Venice System, 1958, limnetic zone."""


_FROM_SEA = (
    "arrival about February to June (VIMS survey methods; Maryland DNR), later in the north; "
    "sizes of reference values, section 5, recalled"
)

REFERENCE: dict[str, Expected] = {
    "anguilla-rostrata": Expected(
        (5, 66),
        (
            Habit("leptocephalus", months=(), length=(5, 80),
                  source="lives in the open sea and changes before it reaches the coast"),
            Habit("glass eel", (1, 2, 3, 4, 5, 6, 7, 8), (40, 80), (0.04, 0.5), (0.03, 0.2),
                  _FROM_SEA),
            Habit("elver", None, (45, 150), (0.05, 5), (0.04, 0.3)),
            Habit("yellow eel", None, (70, 1000), (0.3, 2500), (0.05, 0.4)),
            Habit("silver eel", (7, 8, 9, 10, 11, 12), (230, 1300), (20, 5000), (0.08, 0.4),
                  "leaves for the sea from August to November (Maine DMR)"),
        ),
        source="Greenland to northern South America",
    ),
    "fundulus-heteroclitus": Expected(
        (28, 50), (Habit(None, None, (8, 150), (0.01, 50), (0.6, 3.5)),)),
    "gasterosteus-aculeatus": Expected(
        (30, 72), (Habit(None, None, (8, 110), (0.005, 15), (0.4, 3)),)),
    "apeltes-quadracus": Expected((33, 52), (Habit(None, None, (8, 70), (0.005, 5), (0.4, 3)),)),
    "pungitius-pungitius": Expected((38, 75), (Habit(None, None, (8, 90), (0.005, 8), (0.3, 2)),)),
    "menidia-menidia": Expected((26, 50), (Habit(None, None, (8, 160), (0.005, 40), (0.2, 1.6)),)),
    "palaemon": Expected((-60, 70), (Habit(None, None, (4, 70)),)),
    "crangon-septemspinosa": Expected((26, 53), (Habit(None, None, (4, 80)),), True),
    "alosa-pseudoharengus": Expected(
        (32, 53),
        (
            Habit("young of year", (5, 6, 7, 8, 9, 10, 11, 12), (8, 160), (0.005, 40), (0.3, 2)),
            Habit("adult", (2, 3, 4, 5, 6, 7, 8), (180, 400), (40, 700), (0.5, 2),
                  "runs from February in the Carolinas to June in the Maritimes (American "
                  "Fisheries Society, fish habitat section)"),
            Habit(None, None, (8, 400), (0.005, 700), (0.3, 2)),
        ),
        source="South Carolina to Newfoundland",
    ),
    "alosa-aestivalis": Expected(
        (27, 50), (Habit(None, None, (8, 400), (0.005, 600), (0.3, 2)),)),
    "acipenser": Expected((25, 70), (Habit(None, None, (10, 2000)),)),
    "microgadus-tomcod": Expected((36, 56), (Habit(None, None, (8, 450), (0.005, 900), (0.3, 2)),)),
    "osmerus-mordax": Expected((38, 62), (Habit(None, None, (8, 360), (0.005, 350), (0.2, 1.5)),)),
    "morone-saxatilis": Expected((26, 50), (Habit(None, None, (8, 1500), (0.005, 30_000)),)),
    "morone-americana": Expected((32, 48), (Habit(None, None, (8, 500), (0.005, 2500)),)),
    "pseudopleuronectes-americanus": Expected(
        (33, 55), (Habit(None, None, (5, 650), (0.005, 4000)),), True),
    "syngnathus-fuscus": Expected((27, 50), (Habit(None, None, (10, 330)),), True),
    "carcinus-maenas": Expected((35, 71), (Habit(None, None, (2, 110)),), True),
    "callinectes-sapidus": Expected(
        (-40, 42.5), (Habit(None, None, (2, 270)),),
        source="north to Cape Cod; records beyond it are few and lately more (Johnson 2015, "
        "J. Crustac. Biol. 35, 105-110)"),
    "gammarus": Expected((20, 82), (Habit(None, None, (1, 40)),)),
    "petromyzon-marinus": Expected((28, 72), (Habit(None, None, (20, 1200)),)),
}
"""Taxon id -> what is expected of it; where it is silent nothing is asked."""

