"""Scenarios of the rules about water, fish and the visit: see ``scenarios.py`` for the form."""

from __future__ import annotations

import datetime as dt
from typing import Any

from shared.flags import Flag
from tests.checks.made_up_sheets import STICKLEBACK, MadeUpSheet
from tests.checks.scenarios import MASK, NOTE, QUERY, Lay, Scenario, catch, event, on

WATER: dict[str, Any] = {
    # Sound by PSS-78 and Benson & Krause 1984: S = 9 at 8 degC, oxygen at 95 % of 11.2 mg/l.
    "water_temperature": 8.0, "salinity": 9.0, "specific_conductance": 15447.0,
    "conductivity": 10441.0, "dissolved_oxygen": 10.6, "dissolved_oxygen_saturation": 95.0,
}
SEA: dict[str, Any] = {
    # S = 30 at 8 degC; 95 % of its 9.75 mg/l is 9.3, of fresh water's 11.84 it is 11.3.
    "water_temperature": 8.0, "salinity": 30.0, "dissolved_oxygen_saturation": 95.0,
}
NEIGHBOURS_HERE: dict[dt.date, dict[str, float]] = {
    on(40): {"water_temperature": 6.0, "air_temperature": 16.0},
}
"""What the other sites had, for the scenario of columns that changed about."""


def after_a_week(name: str, **water: Any) -> Lay:
    """A reading after eight days of sound water (``water``: what else of it is changed)."""

    def lay(sheet: MadeUpSheet, value: Any) -> int:
        for day in range(8):
            sheet.row(day, **(WATER | water | {"dissolved_oxygen": 10.6 + day / 100
                                               if "dissolved_oxygen" not in water else None}))
        return sheet.row(8, **(WATER | water | {name: value}))

    return lay


def alone(name: str, **water: Any) -> Lay:
    """A reading with nothing around it to tell what is usual."""
    return lambda sheet, value: sheet.row(**(water | {name: value}))


def _first_of_its_kind(taxon: str, earlier: int = 45, times: int = 1) -> Lay:
    """A catch of ``taxon`` in a season after one that counted sticklebacks only."""

    def lay(sheet: MadeUpSheet, value: float | None) -> int:
        for day in range(earlier):
            sheet.row(day - 365, catches=[
                {"count": 3.0}, {"taxon": STICKLEBACK, "life_stage": "unspecified", "count": 2.0}])
        for day in range(4):
            sheet.row(day)
        row = sheet.row(4, catches=[
            {"count": 3.0}, {"taxon": taxon, "life_stage": "unspecified", "count": value}])
        for day in range(5, 4 + times):
            sheet.row(day, catches=[
                {"count": 3.0}, {"taxon": taxon, "life_stage": "unspecified", "count": 1.0}])
        return row

    return lay


def _in_month(stage: str) -> Lay:
    def lay(sheet: MadeUpSheet, month: int | None) -> int:
        date = dt.date(2025, month or 4, 20)
        return sheet.row(local_date=date, catches=[
            {"life_stage": stage, "count": None if month is None else 2.0}])

    return lay


def _swapped(sheet: MadeUpSheet, water: float | None) -> int:
    return sheet.row(40, water_temperature=water, air_temperature=6.5)


def _crew(sheet: MadeUpSheet, people: float | None) -> int:
    for day in range(6):
        sheet.row(day, observers=2.0 + day % 2)
    return sheet.row(6, observers=people)


def _at_site(name: str) -> Lay:
    """A position whose other coordinate is the site's own."""

    def lay(sheet: MadeUpSheet, value: float | None) -> int:
        sheet.at = (44.871, -67.142)
        return sheet.row(**({"latitude": 44.871, "longitude": -67.142} | {name: value}))

    return lay


def _transposed(sheet: MadeUpSheet, latitude: float | None) -> int:
    sheet.at = (44.871, -67.142)
    return sheet.row(latitude=latitude, longitude=44.871 if latitude == -67.142 else -67.142)


_DIGIT = "Look at the field sheet for a slipped digit, and at the meter's settings."
_EACH = "Write what each instrument showed, or leave blank what was not read."
_STANDS = "stands apart from the days around."
_EITHER = "Write what the meter showed for each, or leave one of them blank."
_UNIT = "Check the unit, the stage and the point; if it is right, say so and it stays."
_RARE = "Check the stage's column and the date; if it is right, say so, for it is rare."
_SEEN = "Check the name and the column; if it was seen well, say so (a photograph helps)."
_NET_MOVED = "Check the sign, the order and the digits; or tell us if the net was moved."

SCENARIOS: tuple[Scenario, ...] = (
    # -- oxygen -----------------------------------------------------------------------------
    Scenario(
        "oxygen-disagrees", after_a_week("dissolved_oxygen"), 14.5, "In this row's water 95 % of "
        "saturation is 10.6 mg/l, but the sheet says 14.5 mg/l. Of the readings that enter, "
        f"Dissolved oxygen {_STANDS} {_DIGIT}", "dissolved_oxygen", QUERY, Flag.SUSPECT,
        fine=(10.6, 9.9), edge=(11.6, 11.8), limits={"share": 0.5}),
    Scenario(
        "oxygen-disagrees", alone("dissolved_oxygen", water_temperature=10.0, salinity=8.0,
                                  dissolved_oxygen_saturation=30.0), 4.4, "In this row's water "
        f"30 % of saturation is 3.2 mg/l, but the sheet says 4.4 mg/l. {_DIGIT}",
        "dissolved_oxygen", QUERY, Flag.SUSPECT, fine=(3.2, 3.7), limits={"mg_l": 1.5},
        name="hardly-any"),
    Scenario(
        "oxygen-disagrees", after_a_week("dissolved_oxygen_saturation"), 59.0, "In this row's "
        "water 59 % of saturation is 6.6 mg/l, but the sheet says 10.6 mg/l. Of the readings "
        f"that enter, Oxygen saturation {_STANDS} {_DIGIT}", "dissolved_oxygen_saturation", QUERY,
        Flag.SUSPECT, fine=(95.0, 91.0), suggestion="95 %"),
    Scenario(
        # The conductivity speaks of the same warmth as the oxygen does.
        "oxygen-disagrees", alone("water_temperature", **WATER), 18.0, "In this row's water 95 % "
        "of saturation is 8.5 mg/l, but the sheet says 10.6 mg/l. Of the readings that enter, "
        f"Water temperature {_STANDS} {_DIGIT}", "water_temperature", QUERY, Flag.SUSPECT,
        fine=(8.0, 9.0)),
    Scenario(
        "oxygen-disagrees", alone("dissolved_oxygen", **SEA), 11.3, "In this row's water 95 % of "
        "saturation is 9.3 mg/l, but the sheet says 11.3 mg/l. It would be right in fresh water: "
        f"the meter's salinity setting seems to be 0. {_DIGIT}", "dissolved_oxygen", QUERY,
        Flag.SUSPECT, fine=(9.3,), suggestion="9.3 mg/l", name="meter"),
    Scenario(
        # Nobody measured salt: anything between fresh and sea water agrees.
        "oxygen-disagrees", alone("dissolved_oxygen", water_temperature=8.0,
                                  dissolved_oxygen_saturation=95.0), 14.0, "In this row's water "
        f"95 % of saturation is 8.9 to 11.3 mg/l, but the sheet says 14.0 mg/l. {_DIGIT}",
        "dissolved_oxygen", QUERY, Flag.SUSPECT, fine=(11.5, 9.0, 8.4), name="salt-unknown"),
    Scenario(
        # Nor here, but the days around tell what the site's water makes of the %.
        "oxygen-disagrees", after_a_week("dissolved_oxygen", salinity=None, conductivity=None,
                                         specific_conductance=None), 12.2, "By the days around, "
        "95 % of saturation is 10.6 mg/l in this site's water, but the sheet says 12.2 mg/l. Of "
        f"the readings that enter, Dissolved oxygen {_STANDS} {_DIGIT}", "dissolved_oxygen", QUERY,
        Flag.SUSPECT, fine=(10.6, 9.8), edge=(11.6, 11.8), limits={"share": 0.4},
        name="salt-unknown-days-around"),
    Scenario(
        "oxygen-supersaturated", alone("dissolved_oxygen", water_temperature=10.0, salinity=8.0),
        15.9, "Dissolved oxygen 15.9 mg/l would be 148 % of saturation: this row's water holds "
        "10.7 mg/l. Check it and the water's temperature; after a sunny bloom say that it is "
        "right.", "dissolved_oxygen", QUERY, Flag.SUSPECT, fine=(10.7, 13.0), edge=(15.0, 15.1),
        limits={"percent": 150.0}),
    Scenario(
        "oxygen-unit", after_a_week("dissolved_oxygen_saturation"), 10.6, "Oxygen saturation 10.6 "
        "was read as %. It fits only as mg/l; did you mean that? Move it to the column of its "
        "unit, or write what this column asks for.", "dissolved_oxygen_saturation",
        # The mg/l stand in both columns.
        MASK, Flag.SUSPECT, fine=(95.0,), suggestion="95 %"),
    # -- salt -------------------------------------------------------------------------------
    Scenario(
        "salinity-disagrees", alone("salinity", specific_conductance=15447.0), 19.0, "Salinity "
        "19 and specific conductance 15447 uS/cm do not go together: that conducts as water of "
        f"salinity 9.0 does. {_EACH}", "salinity", QUERY, Flag.SUSPECT, fine=(9.0, 8.0, 10.4),
        edge=(10.49, 10.6), limits={"salinity": 12.0}, name="pair"),
    Scenario(
        "salinity-disagrees", alone("salinity", specific_conductance=40_000.0), 21.0, "Salinity "
        "21 and specific conductance 40000 uS/cm do not go together: that conducts as water of "
        f"salinity 25.5 does. {_EACH}", "salinity", QUERY, Flag.SUSPECT, fine=(25.5, 23.0),
        limits={"share": 0.2}, name="share"),
    Scenario(
        # Two conductivities agree: the salinity is the odd one.
        "salinity-disagrees", alone("salinity", water_temperature=8.0, conductivity=10441.0,
                                    specific_conductance=15447.0), 19.0, "Salinity 19 and "
        "specific conductance 15447 uS/cm do not go together: that conducts as water of salinity "
        f"9.0 does. What else is known speaks against Salinity. {_EACH}", "salinity", QUERY,
        Flag.SUSPECT, fine=(9.0,), name="two-against-one"),
    Scenario(
        "salinity-disagrees", after_a_week("specific_conductance"), 51_400.0, "Salinity 9 and "
        "specific conductance 51400 uS/cm do not go together: that conducts as water of salinity "
        f"33.8 does. What else is known speaks against Specific conductance. {_EACH}",
        "specific_conductance", QUERY, Flag.SUSPECT, fine=(15_447.0, 15_000.0),
        name="salinity-and-conductivity-agree"),
    Scenario(
        "salinity-disagrees", after_a_week("salinity", conductivity=None), 15.45, "Salinity 15.5 "
        "is the specific conductance 15447 uS/cm in mS/cm: as salinity that is 9.0. " + _EACH,
        "salinity", QUERY, Flag.SUSPECT, fine=(9.0,), name="conductivity-written"),
    Scenario(
        "salinity-disagrees", alone("salinity", specific_conductance=15447.0), 15_447.0,
        f"Salinity 15447 is more than any water holds; it is a conductivity. {_EACH}", "salinity",
        MASK, Flag.SUSPECT, fine=(9.0,), suggestion="9", name="in-microsiemens"),
    Scenario(
        "conductance-disagrees", alone("specific_conductance", water_temperature=8.0,
                                       conductivity=90.0), 331.0, "Conductivity 90 uS/cm at this "
        "row's temperature is 133 uS/cm at 25 degC, but the sheet says 331. " + _EITHER,
        "specific_conductance", QUERY, Flag.SUSPECT, fine=(133.0, 140.0), limits={"share": 2.0}),
    Scenario(
        "conductance-disagrees", alone("conductivity", water_temperature=8.0,
                                       specific_conductance=90.0), 133.3, "Specific conductance "
        "90 and conductivity 133 uS/cm fit this row's temperature the other way round. " + _EITHER,
        "conductivity", QUERY, Flag.SUSPECT, fine=(60.8,), suggestion="90 uS/cm"),
    Scenario(
        "below-freezing", alone("water_temperature", salinity=4.0), -1.0, "Water temperature -1 "
        "degC is below -0.2 degC, where water of salinity 4 freezes. Check the sign and the "
        "thermometer.", "water_temperature", QUERY, Flag.SUSPECT, fine=(0.5, -0.2),
        edge=(-0.71, -0.73), limits={"degrees": 1.0}),
    # -- fish -------------------------------------------------------------------------------
    Scenario(
        "fish-accounting", catch("mortality", count=5.0), 7.0, "7 dead or kept are more than the "
        "5 that were counted. Mend whichever is wrong; the permit asks for every fish.",
        "mortality", QUERY, Flag.SUSPECT, fine=(0.0, 2.0), edge=(5.0, 6.0)),
    Scenario(
        "size-for-stage", catch("length"), 5.8, "Length 6 mm is not that of American eel (glass "
        f"eel): most are between 40 and 80 mm. {_UNIT}", "length", QUERY, Flag.SUSPECT,
        fine=(58.0,), edge=(80.0, 80.1), suggestion="58 mm"),
    Scenario(
        "size-for-stage", catch("length", taxon="alosa-pseudoharengus", life_stage="adult"), 11.5,
        "Length 12 mm is not that of Alewife (adult): most are between 180 and 400 mm. " + _UNIT,
        "length", QUERY, Flag.SUSPECT, fine=(292.0,), suggestion="292 mm", name="in-inches"),
    Scenario(
        "size-for-stage", catch("weight"), 150.0, "Weight 150 g is not that of American eel "
        f"(glass eel): most are between 0.04 and 0.5 g. {_UNIT}", "weight", QUERY, Flag.SUSPECT,
        fine=(0.15,), edge=(0.5, 0.51), suggestion="0.15 g"),
    Scenario(
        "condition-outlier", catch("weight", length=62.0), 0.05, "American eel (glass eel) of 62 "
        "mm and 0.05 g: its condition factor is 0.021, most have 0.03 to 0.2. Check both numbers; "
        "one of them may be another animal's, or the weight that of several.", "weight", QUERY,
        Flag.SUSPECT, fine=(0.15, 0.3), edge=(0.058, 0.057), limits={"slack": 2.0}),
    Scenario(
        "pigment-stage", catch("pigment_stage"), "VIA2", 'Pigment stage says "VIA2", which is no '
        "stage of Haro & Krueger 1988 (seven stages, Anguilla rostrata): 1 to 7. Write a stage "
        "of this scale, or tell us which scale was used.", "pigment_stage", QUERY, Flag.SUSPECT,
        fine=("3", "3.0", "2-4", "1, 2, 2", "Stage 5", "iv"), edge=("7", "8")),
    Scenario(
        "stage-unexpected", _in_month("silver eel"), 4, "American eel (silver eel) in April: this "
        f"stage is met from July to December. {_RARE}", "life_stage", QUERY, Flag.SUSPECT,
        fine=(10, 8), edge=(7, 6)),
    Scenario(
        "stage-unexpected", _in_month("glass eel"), 10, "American eel (glass eel) in October: "
        f"this stage is met from January to August. {_RARE}", "life_stage", QUERY, Flag.SUSPECT,
        fine=(3, 6), edge=(8, 9), name="glass-eel"),
    Scenario(
        "stage-unexpected", _in_month("leptocephalus"), 4, "American eel (leptocephalus) in a "
        "creek: it lives in the open sea and changes before it reaches the coast. " + _RARE,
        "life_stage", QUERY, Flag.SUSPECT, name="larva"),
    Scenario(
        "taxon-unexpected", _first_of_its_kind("callinectes-sapidus"), 1.0, "Blue crab "
        "(unspecified): none was ever recorded at this site in the seasons before. " + _SEEN,
        "taxon", QUERY, Flag.SUSPECT, fine=(0.0,), limits={"checks": 60.0}),
    Scenario(
        "taxon-unexpected", _first_of_its_kind("carcinus-maenas", times=2), 1.0, "Green crab "
        "(unspecified): none was ever recorded at this site in the seasons before. " + _SEEN,
        "taxon", QUERY, Flag.SUSPECT, limits={"records": 1.0}, name="seen-twice"),
    Scenario(
        "taxon-unexpected", alone("salinity", catches=[
            {"count": 3.0}, {"taxon": "pseudopleuronectes-americanus", "life_stage": "juvenile",
                             "count": 2.0}]), 0.1, "Winter flounder (juvenile) in fresh water: it "
        f"is not known from a salinity below 0.5. {_SEEN}", "taxon", QUERY, Flag.SUSPECT,
        fine=(12.0,), edge=(0.5, 0.4), name="in-fresh-water"),
    Scenario(
        "protected-bycatch", catch("count", taxon="acipenser", life_stage="unspecified"), 1.0,
        "Sturgeon (unspecified): 1 caught, 0 of them dead. It is protected, and the coordinator is "
        "told. Handle and report it as the permit asks.", "count", NOTE, Flag.PASS, fine=(0.0,),
        cell="local_date"),
    # -- the visit ----------------------------------------------------------------------------
    Scenario(
        "temperature-pair", _swapped, 16.5, "Water 16.5 and air 6.5 degC fit the other sites the "
        "other way round. Check both against the field sheet.", "water_temperature", QUERY,
        Flag.SUSPECT, fine=(6.0, 9.0), suggestion="6.5 degC", limits={"near": 5.1}),
    Scenario(
        "temperature-pair", alone("air_temperature", water_temperature=4.5), 31.0, "Water 4.5 and "
        "air 31.0 degC are far apart. Check both against the field sheet.", "air_temperature",
        QUERY, Flag.SUSPECT, fine=(20.0, -8.0), edge=(28.5, 28.6), limits={"apart": 27.0}),
    Scenario(
        "ice-in-warm-water", alone("water_temperature", remarks="thin ice along the bank"), 14.0,
        'Water of 14.0 degC, and the remarks say "thin ice along the bank". Check the water '
        "temperature and its unit, or tell us where the ice was.", "water_temperature", QUERY,
        Flag.SUSPECT, fine=(1.0,), edge=(7.0, 7.1), limits={"degrees": 15.0}),
    Scenario(
        "rain-from-clear-sky", event("precipitation", cloud_cover=0.0), 24.5, "24.5 of rain, and "
        "only 0 % of the sky is cloud. Nothing to do if it cleared since.", "precipitation", NOTE,
        Flag.PASS, fine=(0.0,), edge=(10.0, 10.1), limits={"mm": 30.0}),
    Scenario(
        "rain-from-clear-sky", event("precipitation", cloud_cover=10.0), 24.5, "24.5 of rain, and "
        "only 10 % of the sky is cloud. Nothing to do if it cleared since.", "precipitation", NOTE,
        Flag.PASS, limits={"cloud": 5.0}, name="nearly-clear"),
    Scenario(
        "observer-count", event("volunteer_hours", observers=2.0), 45.0, "45 volunteer hours are "
        "much for 2 people. Check both; hours are those of all people together.",
        "volunteer_hours", QUERY, Flag.SUSPECT, fine=(4.0,), edge=(24.0, 24.1),
        limits={"hours_each": 25.0}),
    Scenario(
        "observer-count", event("observers"), 2.5, "Observers says 2.5: people come whole. Check "
        "both; hours are those of all people together.", "observers", QUERY, Flag.SUSPECT,
        fine=(2.0, 3.0)),
    Scenario(
        "observer-count", _crew, 22.0, "Observers says 22, where this site has few; it looks like "
        "a key pressed twice. Check both; hours are those of all people together.", "observers",
        QUERY, Flag.SUSPECT, fine=(2.0, 21.0, 24.0), suggestion="2", limits={"times": 12.0},
        name="twice"),
    Scenario(
        "position-off-site", _at_site("longitude"), 67.142, "This row's position is 10583 km from "
        f"the site. {_NET_MOVED}", "longitude", QUERY, Flag.SUSPECT, fine=(-67.142, -67.15),
        edge=(-67.16, -67.17), suggestion="-67.142", limits={"metres": 20_000_000.0}),
    Scenario(
        "position-off-site", _transposed, -67.142, "This row's position is 15267 km from the "
        f"site. {_NET_MOVED}", "latitude", QUERY, Flag.SUSPECT, fine=(44.871, 44.88),
        suggestion="44.871"),
)
