"""Rules that suspect a unit: the number is fine, the unit it was read in is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from checks.rule import (
    Case,
    Limits,
    Outside,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    suggest_number,
    unusual,
)
from shared.fields import FIELDS
from shared.flags import Effect, Flag
from shared.settings import Network

_LOST_POINT = (
    "{field} {raw} is far from the days around it; a lost decimal point would explain it. "
    "Mend it, or tell us that it is right."
)

_TEMPERATURES = ("water_temperature", "air_temperature")
_CONDUCTIVITIES = ("conductivity", "specific_conductance")


def _column_in(*units: str) -> Callable[[Case], bool]:
    """Only where the column is read in one of ``units`` (None: its unit is not known)."""
    return lambda case: case.unit is None or case.unit in units


def _to_celsius(column: str) -> str:
    return f"(({column} - 32) * 5 / 9)"


def _to_fahrenheit(column: str) -> str:
    return f"({column} * 9 / 5 + 32)"


def _told_by(name: str) -> str:
    """SQL: enough other sites measured ``name`` that day: three, or two that agree."""
    # Gauges of one heavy rain differ in proportion, thermometers of one day do not.
    apart = f"greatest(3.0, n.{name}_least)" if name == "precipitation" else "3.0"
    return (f"(n.{name}_sites >= 3 OR (n.{name}_sites = 2 "
            f"AND n.{name}_most - n.{name}_least <= {apart}))")


def _temperature(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in _TEMPERATURES:
        span = FIELDS[name].plausible
        assert span is not None and span.low is not None and span.high is not None
        column, near = f"e.{name}", limits["neighbour_distance"]
        # Converted it could be near some site's median of some day; a tenth wider than what
        # is asked, so that rounding takes nothing away.
        coldest = f"({{least n.{name}}} - {near + 0.1!r})"
        warmest = f"({{most n.{name}}} + {near + 0.1!r})"
        far = Outside(column, _to_celsius(warmest), _to_fahrenheit(coldest))
        readings = (
            # Written in degF in a column of degC: reads far too warm.
            (f"{column} > {span.high!r}", _to_celsius(column), "degC", "degF"),
            # Written in degC in a column of degF: reads far too cold.
            (f"{column} < {span.low!r}", _to_fahrenheit(column), "degF", "degC"),
        )
        for odd, other, unit, really in readings:
            facts = {"other": other, "expected": "{local_median}"}
            yield Probe(
                Over.EVENTS,
                name,
                Effect.MASK,
                f"{odd} AND {other} BETWEEN {span.low!r} AND {span.high!r}",
                facts=facts | {"really": f"'{really}'", "read_as": f"'{unit}'"},
                flag=Flag.SUSPECT,
                keep=_column_in(unit),
                guard=unusual(name),
            )
            # Not odd by itself: the other sites of the same day tell.
            yield Probe(
                Over.NEIGHBOURS,
                name,
                Effect.MASK,
                f"{_told_by(name)} AND NOT ({odd}) AND abs({column} - n.{name}) > {2 * near!r} "
                f"AND abs({other} - n.{name}) < {near!r} "
                f"AND abs({other} - n.{name}) * 3 < abs({column} - n.{name})",
                # The site's own median would be made of this reading too.
                facts={"other": other, "expected": f"n.{name}", "really": f"'{really}'",
                       "read_as": f"'{unit}'"},
                flag=Flag.SUSPECT,
                keep=_column_in(unit),
                guard=far,
            )


def _other_temperature(case: Case) -> Suggestion | None:
    """The reading in the other unit, or a lost decimal point where the days around say so."""
    other, expected = case.fact("other"), case.fact("expected")
    if other is None or case.value is None:
        return None
    # Air swings too much from day to day for the days around to tell the two apart.
    if expected is not None and case.field == "water_temperature" and case.unit in (None, "degC"):
        tenth = case.value / 10
        if abs(tenth - expected) + 2.0 < abs(other - expected):
            return replace(suggest_number(case, tenth), message=_LOST_POINT)
    return suggest_number(case, other)


def _conductivity(limits: Limits, _: Network) -> Iterator[Probe]:
    near = limits["within_factor"]
    for name in _CONDUCTIVITIES:
        span, possible = FIELDS[name].plausible, FIELDS[name].possible
        assert span is not None and span.low is not None and span.high is not None
        assert possible is not None and possible.high is not None
        column, typical = f"e.{name}", f"y.{name}"
        usual = f"BETWEEN {typical} / {near!r} AND {typical} * {near!r}"
        far = Outside(
            column,
            f"greatest({span.low!r}, {{most y.{name}}} / 100)",
            f"least({possible.high!r}, {{least y.{name}}} * 100)",
        )
        yield Probe(
            Over.NEIGHBOURS,
            name,
            Effect.MASK,
            f"{column} > 0 AND (({column} < {span.low!r} AND {column} * 1000 <= {span.high!r} "
            f"AND {column} * 1000 >= {span.low!r} "
            f"AND ({typical} IS NULL OR {column} * 1000 {usual})) "
            f"OR ({column} * 1000 {usual} AND {column} < {typical} / 100))",
            facts={"other": f"{column} * 1000", "really": "'mS/cm'", "read_as": "'uS/cm'"},
            flag=Flag.SUSPECT,
            keep=_column_in("uS/cm"),
            guard=far,
        )
        yield Probe(
            Over.NEIGHBOURS,
            name,
            Effect.MASK,
            f"({column} > {possible.high!r} AND {column} / 1000 <= {span.high!r}) "
            f"OR ({column} / 1000 {usual} AND {column} > {typical} * 100)",
            facts={"other": f"{column} / 1000", "really": "'uS/cm'", "read_as": "'mS/cm'"},
            flag=Flag.SUSPECT,
            keep=_column_in("mS/cm"),
            guard=far,
        )


def _precipitation(limits: Limits, _: Network) -> Iterator[Probe]:
    column, near = "e.precipitation", limits["within_factor"]
    span = FIELDS["precipitation"].plausible
    assert span is not None and span.high is not None
    heavy = limits["heavy_mm"]
    inches_written = {"other": f"{column} * 25.4", "really": "'in'", "read_as": "'mm'"}
    mm_written = {"other": f"{column} / 25.4", "really": "'mm'", "read_as": "'in'"}
    yield Probe(
        Over.EVENTS,
        "precipitation",
        Effect.MASK,
        f"{column} > {span.high!r} AND {column} / 25.4 <= {span.high!r}",
        facts=mm_written,
        flag=Flag.SUSPECT,
        keep=_column_in("in"),
        guard=unusual("precipitation"),
    )
    yield Probe(
        Over.NEIGHBOURS,
        "precipitation",
        Effect.MASK,
        f"{_told_by('precipitation')} AND {column} BETWEEN 25.4 AND {span.high!r} "
        f"AND {column} > n.precipitation * {limits['apart_factor']!r} "
        f"AND {column} / 25.4 <= n.precipitation * {near!r} + 1",
        facts=mm_written,
        flag=Flag.SUSPECT,
        keep=_column_in("in"),
        guard=f"{column} >= 25.4",
    )
    yield Probe(
        Over.NEIGHBOURS,
        "precipitation",
        Effect.MASK,
        f"{_told_by('precipitation')} AND {column} > 0 AND n.precipitation >= {heavy!r} "
        f"AND {column} < n.precipitation / {limits['apart_factor']!r} "
        f"AND {column} * 25.4 BETWEEN n.precipitation / {near!r} AND n.precipitation * {near!r}",
        facts=inches_written,
        flag=Flag.SUSPECT,
        keep=_column_in("mm"),
        guard=f"{column} > 0 "
        f"AND {column} < {{most n.precipitation}} / {limits['apart_factor']!r}",
    )


def _other_unit(case: Case) -> Suggestion | None:
    other = case.fact("other")
    return None if other is None else suggest_number(case, other)


# Benson & Krause 1984 for fresh water at 760 mmHg, as used in Standard Methods: mg/l at T kelvin.
_OXYGEN_AT_SATURATION = (
    "exp(-139.34411 + 1.575701e5 / ({t}) - 6.642308e7 / (({t}) ** 2) "
    "+ 1.243800e10 / (({t}) ** 3) - 8.621949e11 / (({t}) ** 4) "
    "- coalesce(e.salinity, 0) * (0.017674 - 10.754 / ({t}) + 2140.7 / (({t}) ** 2)))"
)


def oxygen_at_saturation_sql(temperature: str) -> str:
    """SQL for oxygen at saturation in mg/l (760 mmHg, moist air) from degC and salinity.

    Source: Benson & Krause 1984 (salinity term included); ``tests/reference`` compares it
    with the table in reference values and with gsw.
    """
    return _OXYGEN_AT_SATURATION.format(t=f"{temperature} + 273.15")


def _oxygen(limits: Limits, _: Network) -> Iterator[Probe]:
    column = "e.dissolved_oxygen"
    saturation = oxygen_at_saturation_sql("e.water_temperature")
    usual = FIELDS["dissolved_oxygen"].plausible
    assert usual is not None and usual.high is not None
    yield Probe(
        Over.EVENTS,
        "dissolved_oxygen",
        Effect.MASK,
        f"{column} BETWEEN {limits['from_mg_l']!r} AND {limits['to_percent']!r}",
        facts={
            # Unknown salinity would shift the figure by a tenth: then none is offered.
            "other": f"CASE WHEN e.water_temperature BETWEEN -2 AND 40 "
            f"AND e.salinity IS NOT NULL THEN {column} / 100 * {saturation} END",
            "expected": "{local_median}",
            "really": "'%'",
            "read_as": "'mg/l'",
        },
        flag=Flag.SUSPECT,
        guard=unusual("dissolved_oxygen") if limits["from_mg_l"] > usual.high else None,
    )


def _percent_or_slip(case: Case) -> Suggestion | None:
    """mg/l of the percentage, or a lost decimal point: whichever the days around point to."""
    other, expected = case.fact("other"), case.fact("expected")
    if other is None or expected is None or case.value is None:
        return None
    readings = sorted((other, case.value / 10), key=lambda value: abs(value - expected))
    span = FIELDS[case.field].plausible
    if span is None or not span.holds(readings[0]):
        return None
    if 2 * abs(readings[0] - expected) > abs(readings[1] - expected):
        return None
    found = suggest_number(case, readings[0])
    return found if readings[0] == other else replace(found, message=_LOST_POINT)


def _same_number(_: Limits, __: Network) -> Iterator[Probe]:
    span = FIELDS["salinity"].possible
    assert span is not None and span.high is not None
    for name in _CONDUCTIVITIES:
        yield Probe(
            Over.EVENTS,
            name,
            Effect.MASK,
            # Natural only where there is next to no salt and both are near zero. Above all
            # salinities it is the conductivity that stands in both columns, and is right.
            f"e.salinity > 1 AND e.salinity <= {span.high!r} "
            f"AND abs(e.{name} - e.salinity) < 0.051",
            facts={"salinity": "format('{:g}', e.salinity)"},
            flag=Flag.SUSPECT,
            guard=Outside(f"e.{name}", span.high + 0.1, None),
        )


RULES = (
    Rule(
        id="temperature-unit",
        title="A temperature in the other unit",
        about="A number that is far off in the column's unit and right in the other one: degF in "
        "a degC column or the reverse, judged by the season's range and, where other sites "
        "measured the same day, by them.",
        source="plausible ranges of the dictionary; conversion exact by definition",
        effect=Effect.MASK,
        message="{field} {raw} was read as {read_as}. It fits only as {really}.",
        remedy="Write it in the column's unit, or tell us which unit the column is in.",
        probes=_temperature,
        suggest=_other_temperature,
        thresholds={
            "neighbour_distance": Threshold(
                5.0, "degC", "how near the converted value must be to the other sites' median"
            )
        },
        example={"field": "Water temperature", "raw": "48", "read_as": "degC", "really": "degF"},
    ),
    Rule(
        id="conductivity-unit",
        title="Conductivity a thousandfold off",
        about="mS/cm written in a column of uS/cm, or the reverse.",
        source="a factor of 1000 by definition; plausible range of the dictionary",
        effect=Effect.MASK,
        message="{field} {raw} was read as {read_as}. It fits only as {really}.",
        remedy="Write it in the column's unit, or tell us which unit the meter showed.",
        probes=_conductivity,
        suggest=_other_unit,
        thresholds={
            "within_factor": Threshold(
                8.0, "", "how far from the site's usual the converted value may be, as a factor"
            )
        },
        yields_to=("salinity-disagrees",),
        example={
            "field": "Specific conductance",
            "raw": "12.4",
            "read_as": "uS/cm",
            "really": "mS/cm",
        },
    ),
    Rule(
        id="precipitation-unit",
        title="Rain in the other unit",
        about="Inches in a column of millimetres or the reverse (a factor of 25.4). Small "
        "amounts can only be told by the other sites' gauges of the same day.",
        source="25.4 mm to the inch by definition; neighbouring gauges, common practice",
        effect=Effect.MASK,
        message="{field} {raw} was read as {read_as}. It fits only as {really}.",
        remedy="Write it in the column's unit, or tell us which unit the gauge has.",
        probes=_precipitation,
        suggest=_other_unit,
        thresholds={
            "within_factor": Threshold(
                3.0, "", "how far from the other gauges the converted value may be"
            ),
            "apart_factor": Threshold(
                8.0, "", "how far from the other gauges the value as read must be"
            ),
            "heavy_mm": Threshold(6.0, "mm", "least rain at the others to judge inches by"),
        },
        example={"field": "Precipitation", "raw": "0.9", "read_as": "mm", "really": "in"},
    ),
    Rule(
        id="oxygen-unit",
        title="Percent saturation in the mg/l column",
        about="No natural water holds so much oxygen per litre; as percent it is ordinary.",
        source="Benson & Krause 1984: saturation is at most 14.6 mg/l in fresh water",
        effect=Effect.MASK,
        message="{field} {raw} was read as {read_as}. It fits only as {really} of saturation.",
        remedy="Move it to the % column, or write the mg/l.",
        probes=_oxygen,
        suggest=_percent_or_slip,
        thresholds={
            "from_mg_l": Threshold(25.0, "mg/l", "from here up a value is taken for percent"),
            "to_percent": Threshold(200.0, "%", "above this it is not percent either"),
        },
        example={"field": "Dissolved oxygen", "raw": "92", "read_as": "mg/l", "really": "%"},
    ),
    Rule(
        id="salinity-disagrees",
        title="The salinity written as the conductivity",
        about="The same number stands in both columns; in uS/cm it would be fresh water.",
        source="PSS-78: water of salinity 1 conducts about 2,000 uS/cm at 25 degC",
        effect=Effect.MASK,
        message="{field} says {raw}, the same number as the salinity ({salinity}).",
        remedy="Write what the meter showed for conductivity, or leave it blank.",
        probes=_same_number,
        example={"field": "Conductivity", "raw": "16.3", "salinity": "16.3"},
    ),
)
