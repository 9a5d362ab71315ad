"""Rules that suspect a unit: the number is fine, the unit it was read in is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from checks.chemistry import (
    oxygen_at_saturation_sql,
    salinity_of_row_sql,
)
from checks.rule import (
    Case,
    Limits,
    Outside,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    slips_of,
    slips_of_digits,
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
                keep=_fits_in_the_other(unit),
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


def _fits_in_the_other(unit: str) -> Callable[[Case], bool]:
    """Whether the reading is in a column of ``unit``, and as the other fits the days around.

    Swapped digits or the air's temperature can be plausible in the other unit by chance.
    """
    in_column = _column_in(unit)

    def keep(case: Case) -> bool:
        other, expected = case.fact("other"), case.fact("expected")
        if not in_column(case):
            return False
        if other is None or expected is None:
            return True
        return abs(other - expected) <= _A_FEW_DAYS[case.field]

    return keep


_A_FEW_DAYS = {"water_temperature": 8.0, "air_temperature": 18.0}
"""degC that a reading may be from the days around."""


def _other_temperature(case: Case) -> Suggestion | None:
    """The reading in the other unit, or a lost decimal point where the days around say so."""
    other, expected = case.fact("other"), case.fact("expected")
    if other is None or case.value is None:
        return None
    if case.field == "water_temperature" and expected is not None:
        slips = slips_of_digits(case)
        if any(abs(slip - expected) < abs(other - expected) + 1.0 for slip in slips):
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
        yield _told_by_salinity(name)
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


def _told_by_salinity(name: str) -> Probe:
    """mS/cm that a reading of uS/cm may be: a thousand times it is what the salinity asks for."""
    column = f"e.{name}"
    at_25 = "" if name == "specific_conductance" else (
        " / (1 + 0.0191 * (e.water_temperature - 25))")
    # Within 7 % of PSS-78, which is near enough to tell a thousand.
    meant = f"0.4665 * pow({column}{at_25}, 1.0878)"
    span = FIELDS[name].plausible
    assert span is not None and span.low is not None
    return Probe(
        Over.EVENTS,
        name,
        Effect.MASK,
        f"{column} >= {span.low!r} AND {column} < 75 AND e.salinity > 5 "
        f"AND abs({meant} - e.salinity) <= 1 + 0.15 * e.salinity "
        # The salinity over again is the salinity rule's to find.
        f"AND abs({column} - e.salinity) >= 0.051",
        facts={"other": f"{column} * 1000", "really": "'mS/cm'", "read_as": "'uS/cm'"},
        flag=Flag.SUSPECT,
        keep=_column_in("uS/cm"),
        guard=Outside(column, 75.0, None),
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


_CM = {"cm": 1.0, "m": 100.0, "ft": 30.48, "in": 2.54}
"""Unit that a water level may be written in -> centimetres in one."""


def _level(limits: Limits, _: Network) -> Iterator[Probe]:
    far = limits["times"]
    column, usual = "e.water_level", "y.water_level"
    yield Probe(
        Over.NEIGHBOURS,
        "water_level",
        Effect.MASK,
        # A staff that reads next to nothing has no usual to be many times of.
        f"{column} > 0 AND {usual} > 10 "
        f"AND ({column} > {far!r} * {usual} OR {column} < {usual} / {far!r})",
        facts={"was": usual},
        flag=Flag.SUSPECT,
        keep=lambda case: bool(_levels(case)),
        guard=f"{column} > 0 AND ({column} > {far!r} * {{least y.water_level}} "
        f"OR {column} < {{most y.water_level}} / {far!r})",
    )


def _levels(case: Case) -> list[float]:
    """What the number is in other units, where that is like the site's usual level."""
    usual = case.fact("was")
    if usual is None or case.value is None or case.unit not in _CM:
        return []
    read = {case.value * factor / _CM[case.unit]
            for unit, factor in _CM.items() if unit != case.unit}
    return [level for level in read if usual / 2 <= level <= 2 * usual]


def _other_level(case: Case) -> Suggestion | None:
    fitting = _levels(case)
    return suggest_number(case, fitting[0]) if len(fitting) == 1 else None


def _other_unit(case: Case) -> Suggestion | None:
    other = case.fact("other")
    return None if other is None else suggest_number(case, other)


_O, _P = "e.dissolved_oxygen", "e.dissolved_oxygen_saturation"
_MG_AS_PERCENT = 20.0
"""Fewer % of saturation than this may be mg/l in the wrong column."""


def _oxygen(limits: Limits, _: Network) -> Iterator[Probe]:
    salt = salinity_of_row_sql()
    saturation = oxygen_at_saturation_sql("e.water_temperature", f"coalesce({salt}, 0)")
    usual, percents = FIELDS["dissolved_oxygen"].plausible, FIELDS[_P[2:]].plausible
    assert usual is not None and usual.high is not None and percents is not None
    as_percent = f"(100 * {_P} / {saturation})"
    # Each stands in the other's column.
    swapped = f"{_P} <= {_MG_AS_PERCENT!r} AND abs(ln({as_percent} / {_O})) < 0.15"
    yield Probe(
        Over.EVENTS,
        "dissolved_oxygen",
        Effect.MASK,
        f"{_O} BETWEEN {limits['from_mg_l']!r} AND {limits['to_percent']!r}",
        facts={
            # Unknown salinity would shift the figure by a tenth: then none is offered.
            "other": f"CASE WHEN {swapped} THEN {_P} WHEN {salt} IS NOT NULL "
            f"THEN {_O} / 100 * {saturation} END",
            # What the % column says, unless it is mg/l itself or the same slip.
            "expected": f"CASE WHEN {swapped} THEN {_P} WHEN {_P} > {_MG_AS_PERCENT!r} "
            f"THEN {_P} / 100 * {saturation} ELSE {{local_median}} END",
            "really": "'% of saturation'",
            "read_as": "'mg/l'",
        },
        flag=Flag.SUSPECT,
        guard=unusual("dissolved_oxygen") if limits["from_mg_l"] > usual.high else None,
    )
    yield Probe(
        Over.EVENTS,
        "dissolved_oxygen_saturation",
        Effect.MASK,
        # Fresh water holds about 468 / (31.6 + t) mg/l.
        f"{_P} BETWEEN 1 AND {_MG_AS_PERCENT!r} AND {_P} * (31.6 + e.water_temperature) / 4.68 "
        f"BETWEEN {percents.low!r} AND {percents.high!r}",
        facts={
            "other": f"CASE WHEN {swapped} THEN {_O} WHEN {salt} IS NOT NULL THEN {as_percent} END",
            "usual_percent": "{local_median}",
            "beside": _O,
            "really": "'mg/l'",
            "read_as": "'%'",
        },
        flag=Flag.SUSPECT,
        keep=lambda case: _milligrams(case, limits["from_mg_l"]),
        guard=unusual("dissolved_oxygen_saturation"),
    )


def _milligrams(case: Case, from_mg_l: float) -> bool:
    """Whether the % column's number is mg/l: the mg/l column or the days around say so."""
    beside, usual = case.fact("beside"), case.fact("usual_percent")
    if case.value is None:
        return False
    if beside is not None:
        return abs(beside - case.value) < 0.6 or beside >= from_mg_l
    return usual is not None and usual > 3 * case.value


def _percent_or_slip(case: Case) -> Suggestion | None:
    """mg/l of the percentage, or a lost decimal point: whichever the evidence points to."""
    other = case.fact("other")
    if other is not None and case.field == "dissolved_oxygen_saturation":
        return suggest_number(case, other)
    expected = case.fact("expected")
    if other is None or expected is None or case.value is None:
        return None
    readings = sorted({other, *(round(slip, 6) for slip in slips_of(case))},
                      key=lambda value: abs(value - expected))
    span = FIELDS[case.field].plausible
    if span is None or not span.holds(readings[0]):
        return None
    if 2 * abs(readings[0] - expected) > abs(readings[1] - expected):
        return None
    found = suggest_number(case, readings[0])
    if readings[0] == other:
        return found
    return replace(found, message=_LOST_POINT) if readings[0] == case.value / 10 else None


RULES = (
    Rule(
        id="temperature-unit",
        title="A temperature in the other unit",
        about="A number that is far off in the column's unit and right in the other one: degF in "
        "a degC column or the reverse, judged by the season's range and, where other sites "
        "measured the same day, by them.",
        source="plausible ranges of the dictionary; conversion exact by definition",
        effect=Effect.MASK,
        message="{field} {raw} was read as {read_as}. It fits only as {really}; did you mean that?",
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
        message="{field} {raw} was read as {read_as}. It fits only as {really}; did you mean that?",
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
        message="{field} {raw} was read as {read_as}. It fits only as {really}; did you mean that?",
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
        id="level-unit",
        title="A water level in another unit",
        about="Many times the site's usual level, or a small part of it, and like it in another "
        "unit of length: centimetres in a column of feet or metres, or the reverse.",
        source="30.48 cm to the foot by definition; the site's own median",
        effect=Effect.MASK,
        message="{field} {raw} was read as {unit}, where this site has about {was_written}. It "
        "fits in another unit; did you mean that?",
        remedy="Write it in the column's unit, or tell us which unit the staff has.",
        probes=_level,
        suggest=_other_level,
        thresholds={"times": Threshold(8.0, "", "times the site's usual, or part of it")},
        example={"field": "Water level", "raw": "47", "unit": "ft", "was_written": "1.5 ft"},
    ),
    Rule(
        id="oxygen-unit",
        title="Oxygen in the other column's unit",
        about="% of saturation in the mg/l column: no natural water holds so much per litre. Or "
        "mg/l in the % column, where the mg/l beside it or the days around say so.",
        source="Benson & Krause 1984: saturation is at most 14.6 mg/l in fresh water",
        effect=Effect.MASK,
        message="{field} {raw} was read as {read_as}. It fits only as {really}; did you mean that?",
        remedy="Move it to the column of its unit, or write what this column asks for.",
        probes=_oxygen,
        suggest=_percent_or_slip,
        thresholds={
            "from_mg_l": Threshold(25.0, "mg/l", "from here up a value is taken for percent"),
            "to_percent": Threshold(200.0, "%", "above this it is not percent either"),
        },
        example={"field": "Dissolved oxygen", "raw": "92", "read_as": "mg/l",
                 "really": "% of saturation"},
    ),
)
