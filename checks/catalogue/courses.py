"""Rules about a water reading in the course of its days, after the open QARTOD tests.

The manuals have a reading every few minutes in mind; here there is one a day, with days left
out. So a test asks only where the days beside are near, and how far is far is told by the
site's own readings, never less than what the threshold says.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from checks.rule import (
    Case,
    Limits,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    mistyped,
    suggest_number,
    undoubled,
)
from shared.fields import FIELDS
from shared.flags import Effect
from shared.settings import Network
from shared.units import convert

_QARTOD = "IOOS QARTOD manuals (pH, wind, temperature and salinity)"

LEAST: dict[str, tuple[float, float]] = {
    "water_temperature": (3.0, 0.0),
    "salinity": (6.0, 0.5),
    "conductivity": (60.0, 0.6),
    "specific_conductance": (60.0, 0.6),
    "dissolved_oxygen": (3.0, 0.0),
    "dissolved_oxygen_saturation": (30.0, 0.0),
    "ph": (0.9, 0.0),
}
"""Field -> the least step that is asked about at all, in its unit and as a share of what the
days beside have. Levels and turbidity jump with every rain and are not here."""

_STEPS = {
    name: Threshold(least, FIELDS[name].unit or "", f"least step in {FIELDS[name].title.lower()}")
    for name, (least, _) in LEAST.items()
}


def _far(name: str, limits: Limits, spread: str, beside: str) -> str:
    """SQL: the least distance that is far."""
    share = LEAST[name][1]
    relative = f", {share!r} * abs({beside})" if share else ""
    return f"greatest({limits[name]!r}, {limits['deviations']!r} * x.{spread}{relative})"


_MEAN = "((x.previous + x.next) / 2)"


def _spike(limits: Limits, _: Network) -> Iterator[Probe]:
    days = limits["days"]
    for name in LEAST:
        yield Probe(
            Over.READINGS,
            name,
            Effect.QUERY,
            # What few rows meet stands first, here and below: the rest is asked of these only.
            f"x.field = '{name}' "
            f"AND abs(x.value - {_MEAN}) > {_far(name, limits, 'stray', _MEAN)} "
            # The days beside agree: else it is a slope or a step, not a spike.
            f"AND abs(x.previous - x.next) < abs(x.value - {_MEAN}) / 2 "
            f"AND x.days_before BETWEEN 1 AND {days!r} AND x.days_after BETWEEN 1 AND {days!r}",
            facts={"was": "x.previous", "then": "x.next", "expected": _MEAN, "stray": "x.stray"},
        )


def _slipped(case: Case) -> Suggestion | None:
    """The written number with its decimal point moved, two digits swapped or one left out, where
    exactly one such slip lies by what the days beside have, and no other digit in a place does."""
    expected, written = case.fact("expected"), case.written
    if case.fact("after") is not None:
        # The reading that follows stays with it, and is no slip of the pen as well.
        return None
    entry = FIELDS[case.field]
    if expected is None or written is None or case.value is None or entry.unit is None:
        return None
    near = max(3 * (case.fact("stray") or 0.0), 0.12 * abs(case.value - expected))
    digits = f"{abs(written):g}"
    slips = {written / 10, written * 10, written / 100, *undoubled(digits)}
    places = [at for at, digit in enumerate(digits) if digit.isdigit()]
    for one, other in itertools.pairwise(places):
        swapped = list(digits)
        swapped[one], swapped[other] = digits[other], digits[one]
        slips.add(float("".join(swapped)))
    fitting = [
        value for value in (convert(slip, case.unit or entry.unit, entry.unit) for slip in slips)
        if abs(value - expected) <= near
    ]
    if any(abs(value - expected) <= near for value in mistyped(case)):
        return None
    return suggest_number(case, fitting[0]) if len(fitting) == 1 else None


def _rate(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in LEAST:
        yield Probe(
            Over.READINGS,
            name,
            Effect.QUERY,
            f"x.field = '{name}' "
            f"AND abs(x.value - x.previous) > {_far(name, limits, 'step', 'x.previous')} "
            # It has left both days before, and the next stays with it: back again would be a
            # spike of this reading, or of the one before.
            "AND abs(x.value - x.before_previous) > 0.7 * abs(x.value - x.previous) "
            "AND coalesce(abs(x.next - x.value) < abs(x.next - x.previous), TRUE) "
            f"AND x.days_before BETWEEN 1 AND {limits['days']!r}",
            facts={"was": "x.previous", "expected": "x.previous", "stray": "x.step",
                   "after": "x.next"},
        )


def _flat(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in ("salinity", "conductivity", "specific_conductance", "dissolved_oxygen",
                 "dissolved_oxygen_saturation", "ph", "turbidity", "water_level", "secchi_depth"):
        yield repeated(name, limits)


def repeated(name: str, limits: Limits) -> Probe:
    """A reading that says the same in so many rows as would hardly come about by itself."""
    # Ice holds water where it freezes for weeks, at 0 or below; thermometers hold 0.2. And
    # nothing falls many days running.
    live = "x.value > 0.2" if name == "water_temperature" else "x.value <> 0"
    return Probe(
        Over.READINGS,
        name,
        Effect.QUERY,
        f"x.field = '{name}' AND x.run >= {limits['rows']!r} AND {live} "
        f"AND x.row_id <> x.run_id AND power(x.repeats, x.run - 1) * {limits['one_in']!r} < 1",
        facts={"run": "x.run", "first": "x.run_first", "last": "x.run_last",
               "cause": "format('{}', x.run_id)"},
    )


REPEATING = {
    "rows": Threshold(4.0, "", "rows of one value from which a run is asked about"),
    "one_in": Threshold(
        10_000.0, "", "how seldom such a run would come by chance, from how often the column "
        "otherwise repeats the day before"),
}


def _climate(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in ("water_temperature", "salinity", "dissolved_oxygen", "ph"):
        margin = f"greatest({limits[name]!r}, {limits['share']!r} * (x.most - x.least))"
        for odd, words in (
            (f"x.value > x.most + {margin}", "more than ever"),
            (f"x.value < x.least - {margin}", "less than ever"),
        ):
            yield Probe(
                Over.READINGS,
                name,
                Effect.QUERY,
                f"x.field = '{name}' AND x.seasons >= {limits['seasons']!r} AND {odd}",
                facts={"low": "x.least", "high": "x.most", "how": f"'{words}'",
                       "seasons_text": "x.seasons"},
            )


_TOLD_BETTER = ("oxygen-disagrees", "salinity-disagrees", "conductance-disagrees",
                "unlike-neighbours", "probe-drifting")
"""Rules that know more of the day than the days beside it."""

RULES = (
    Rule(
        id="spike",
        title="One reading far from the days beside it",
        about="The days before and after agree and this one stands alone: a slip of the pen or "
        "of the meter. What is far is told by the site's own readings.",
        source=f"{_QARTOD}, spike test: distance from the mean of the readings beside it; spread "
        "as 1.4826 x median absolute deviation (Iglewicz & Hoaglin 1993)",
        effect=Effect.QUERY,
        message="{field} {written} stands alone: the days beside it have {was_written} and "
        "{then_written}.",
        remedy="Look at the field sheet; if it is right, say so and it stays.",
        probes=_spike,
        yields_to=_TOLD_BETTER,
        suggest=_slipped,
        thresholds={
            "deviations": Threshold(8.0, "", "robust standard deviations of the site's readings"),
            "days": Threshold(3.0, "d", "how near the days beside must be"),
            **_STEPS,
        },
        groups=False,
        example={"field": "Water temperature", "written": "14.2 degC", "was_written": "5.1 degC",
                 "then_written": "5.4 degC"},
        version=2,
    ),
    Rule(
        id="rate-of-change",
        title="A step from one day to the next",
        about="The reading leaves both days before it and stays away, or has not come back yet.",
        source=f"{_QARTOD}, rate of change: a step of more standard deviations than allowed",
        effect=Effect.QUERY,
        message="{field} goes from {was_written} to {written} from one check to the next.",
        remedy="Look whether the probe, its unit or its place was changed; if it is right, say so.",
        probes=_rate,
        suggest=_slipped,
        thresholds={
            "deviations": Threshold(10.0, "", "robust standard deviations of the site's steps"),
            "days": Threshold(3.0, "d", "how near the day before must be"),
            **_STEPS,
        },
        yields_to=("spike", *_TOLD_BETTER),
        groups=False,
        example={"field": "pH", "was_written": "7.1", "written": "8.6"},
        version=2,
    ),
    Rule(
        id="flat-line",
        title="A meter that says the same day after day",
        about="So long a run of one value does not come about by itself in this column: the meter "
        "hangs, or the value was copied down. A column that repeats by habit is given longer.",
        source=f"{_QARTOD}, flat line test; how long is long from the column's own repeats, "
        "common practice",
        effect=Effect.QUERY,
        message="{field} says {raw} in {run} rows one after another (rows {first} to {last}).",
        remedy="Write what was measured each day, or leave blank what was not.",
        probes=_flat,
        thresholds=REPEATING,
        yields_to=("row-pasted", "rows-sent-before"),
        example={"field": "Salinity", "raw": "12.4", "run": "6", "first": "40", "last": "45"},
        version=2,
    ),
    Rule(
        id="climatology",
        title="Beyond anything of this time of year",
        about="The reading lies far outside everything that the site's other seasons had in the "
        "same weeks.",
        source=f"{_QARTOD}, climatology test: outside the season's own least and most",
        effect=Effect.QUERY,
        message="{field} {written} is {how} in {seasons_text} other seasons: at this time of year "
        "they had {bounds_usual}.",
        remedy="Check it against the field sheet; if the year is really so, say so once.",
        probes=_climate,
        thresholds={
            "seasons": Threshold(2.0, "", "least other seasons with readings of these weeks"),
            "share": Threshold(0.5, "", "how far outside, as a share of their span"),
            "water_temperature": Threshold(4.0, "degC", "how far outside at least"),
            "salinity": Threshold(8.0, "1", "how far outside at least"),
            "dissolved_oxygen": Threshold(3.0, "mg/l", "how far outside at least"),
            "ph": Threshold(1.0, "1", "how far outside at least"),
        },
        yields_to=("spike", "rate-of-change", "unlike-neighbours"),
        example={"field": "Water temperature", "written": "19 degC", "how": "more than ever",
                 "seasons_text": "3", "bounds_usual": "between 1.2 and 7.4 degC"},
    ),
)
