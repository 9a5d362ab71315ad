"""Rules about what the water's readings say of each other: they are computed, not compared.

Two readings that cannot both be right are a disagreement; which of them to point at is
decided by what else is known: a third reading that sides with one of them, else the days
around. Where nothing decides, the finding stands at both, and one answer settles it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from checks.chemistry import SEA, measured, practical_salinity_sql
from checks.relations import local_median_sql
from checks.rule import (
    Case,
    Limits,
    Outside,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    slip_of_the_pen,
    suggest_number,
)
from shared.fields import FIELDS
from shared.flags import Effect, Flag
from shared.settings import Network


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a disagreement comes down to: a ``kind`` of it, and the ``fields`` to point at."""

    kind: str
    fields: tuple[str, ...]


def stands_apart(residual: float, parts: Mapping[str, float | None]) -> str | None:
    """The one reading whose departure from the days around makes up the disagreement.

    ``residual`` and ``parts`` are on a log scale and the parts add up to the residual. The
    one must explain 60 to 160 % of it and no other more than 40 %; else None. A part that
    is not known takes no blame.
    """
    shares = {name: part / residual for name, part in parts.items() if part is not None}
    grave = [name for name, share in shares.items() if 0.6 <= share <= 1.6]
    if len(grave) != 1:
        return None
    others = [abs(share) for name, share in shares.items() if name != grave[0]]
    return grave[0] if others and max(others) <= 0.4 else None


def _log_ratio(value: float | None, usual: float | None) -> float | None:
    if value is None or usual is None or value <= 0 or usual <= 0:
        return None
    return math.log(value / usual)


def _pointing(verdict: Callable[[Case], Verdict | None], kind: str) -> Callable[[Case], bool]:
    """A last look: the case comes down to ``kind``, and its field is one to point at."""

    def keep(case: Case) -> bool:
        found = verdict(case)
        return found is not None and found.kind == kind and case.field in found.fields

    return keep


def _usual(field_id: str) -> str:
    """SQL: what the days around say, where they are enough to tell one of them apart."""
    return local_median_sql(field_id, of_rows=5)


# -- oxygen -----------------------------------------------------------------------------------

_O, _P, _T = "e.dissolved_oxygen", "e.dissolved_oxygen_saturation", "e.water_temperature"
_USUAL_O, _USUAL_P, _USUAL_T = (_usual(name) for name in (
    "dissolved_oxygen", "dissolved_oxygen_saturation", "water_temperature"))
# Oxygen at saturation falls about as 1 / (31.6 + t); what salt takes off it, a site's water has
# on the days around as well, so that it cancels out.
_HERE = f"({_P} * ({_USUAL_O} * (31.6 + {_USUAL_T}) / {_USUAL_P}) / (31.6 + {_T}))"
"""SQL: the mg/l that the row's % come to, as they did at the site on the days around."""

_OXYGEN_CEILING = 25.0
"""mg/l from which a number is no reading of mg/l at all: the dictionary's possible range."""

# Within 6 % of the law for -1.9 to 35 degC and S up to 42; it only spares the law to rows that
# are far from disagreeing.
_NEAR_SATURATION = f"(468 / (31.6 + {_T}))"
_MOST_SALT = (
    "coalesce(e.salinity, 0.4665 * pow(e.specific_conductance / 1000, 1.0878), "
    f"CASE WHEN e.conductivity IS NULL THEN 0 ELSE {SEA!r} END)"
)


def _witnessed_temperature(case: Case) -> bool:
    """Whether oxygen and conductivity, each by itself, speak of one other temperature."""
    oxygen, percent, celsius = case.fact("oxygen"), case.fact("percent"), case.fact("celsius")
    saturation, specific = case.fact("saturation"), case.fact("specific")
    raw = case.fact("raw_reading")
    if not oxygen or not percent or celsius is None or not saturation or not specific or not raw:
        return False
    by_oxygen = (31.6 + celsius) * saturation / (100 * oxygen / percent) - 31.6
    by_conductivity = 25 + (raw / specific - 1) / 0.0191
    return abs(by_oxygen - by_conductivity) < 4 and min(
        abs(celsius - by_oxygen), abs(celsius - by_conductivity)) > 4


def _oxygen_facts() -> dict[str, str]:
    return {
        "specific": "e.specific_conductance",
        "raw_reading": "e.conductivity",
        "oxygen": _O,
        "percent": _P,
        "celsius": _T,
        "salt": "w.salt",
        "saturation": "w.saturation",
        "saturation_least": "w.saturation_least",
        "saturation_fresh": "w.saturation_fresh",
        "usual_oxygen": _usual("dissolved_oxygen"),
        "usual_percent": _usual("dissolved_oxygen_saturation"),
        "usual_celsius": _usual("water_temperature"),
    }


def _oxygen_verdict(case: Case) -> Verdict | None:
    oxygen, percent, celsius = case.fact("oxygen"), case.fact("percent"), case.fact("celsius")
    most, least = case.fact("saturation"), case.fact("saturation_least")
    if not oxygen or not percent or celsius is None or not most or not least:
        return None
    expected = percent / 100 * (most if oxygen > percent / 100 * most else least)
    salt, fresh = case.fact("salt"), case.fact("saturation_fresh")
    usual = _log_ratio(oxygen, case.fact("usual_oxygen"))
    if salt is not None and fresh and abs(math.log(oxygen / (percent / 100 * fresh))) < 0.04 and (
        usual is None or abs(usual) < 0.15
    ):
        return Verdict("meter", ("dissolved_oxygen",))
    if _witnessed_temperature(case):
        return Verdict("one", ("water_temperature",))
    usual_percent = _log_ratio(percent, case.fact("usual_percent"))
    warm = case.fact("usual_celsius")
    culprit = stands_apart(math.log(oxygen / expected), {
        "dissolved_oxygen": usual,
        "dissolved_oxygen_saturation": None if usual_percent is None else -usual_percent,
        # Oxygen at saturation falls about as 1 / (31.6 + t).
        "water_temperature": _log_ratio(31.6 + celsius, None if warm is None else 31.6 + warm),
    })
    if culprit is not None:
        return Verdict("one", (culprit,))
    return Verdict("pair", ("dissolved_oxygen", "dissolved_oxygen_saturation"))


def _unlike_here(case: Case) -> Verdict | None:
    """As :func:`_oxygen_verdict`, of water whose salt is not known: by the days around alone."""
    oxygen, here = case.fact("oxygen"), case.fact("here")
    percent = _log_ratio(case.fact("percent"), case.fact("usual_percent"))
    celsius, warm = case.fact("celsius"), case.fact("usual_celsius")
    if not oxygen or not here or percent is None or celsius is None or warm is None:
        return None
    culprit = stands_apart(math.log(oxygen / here), {
        "dissolved_oxygen": _log_ratio(oxygen, case.fact("usual_oxygen")),
        "dissolved_oxygen_saturation": -percent,
        "water_temperature": _log_ratio(31.6 + celsius, 31.6 + warm),
    })
    if culprit is not None:
        return Verdict("one", (culprit,))
    return Verdict("pair", ("dissolved_oxygen", "dissolved_oxygen_saturation"))


def _oxygen_disagrees(limits: Limits, _: Network) -> Iterator[Probe]:
    share, gap = 1 + limits["share"], limits["mg_l"]
    readings = f"{_O} > 0 AND {_O} < {_OXYGEN_CEILING!r} AND {_P} > 0 AND {_P} <= 250"
    high, low = f"{_P} / 100 * w.saturation", f"{_P} / 100 * w.saturation_least"
    odd = (
        f"{readings} AND ({_O} > greatest({high} * {share!r}, {high} + {gap!r}) "
        f"OR {_O} < least({low} / {share!r}, {low} - {gap!r})) "
        # The mg/l copied into the % column has a rule of its own.
        f"AND NOT ({_P} <= 20 AND abs({_O} - {_P}) < 0.6)"
    )
    near = f"{_P} / 100 * {_NEAR_SATURATION}"
    rows = (
        f"SELECT row_id FROM {{events}} e WHERE {readings} "
        f"AND ({_O} > {near} * {0.94 * share!r} * (1 - 0.0063 * {_MOST_SALT}) "
        f"OR {_O} < {near} * {1.06 / share!r} "
        f"* (1 - 0.005 * coalesce(e.salinity, CASE WHEN e.specific_conductance IS NULL "
        f"AND e.conductivity IS NULL THEN {SEA!r} ELSE 0 END)))"
    )
    facts = _oxygen_facts() | {
        "mg": f"format('{{:.1f}}', {_O})",
        "sat": f"format('{{:.0f}}', {_P})",
        "expected_text": "CASE WHEN w.salt IS NULL THEN "
        f"format('{{:.1f}} to {{:.1f}}', {low}, {high}) ELSE format('{{:.1f}}', {high}) END",
    }

    def probe(name: str, kind: str, message: str | None = None) -> Probe:
        return Probe(Over.WATER, name, Effect.QUERY, odd, facts=facts, rows=rows,
                     keep=_pointing(_oxygen_verdict, kind), message=message)

    for name in ("dissolved_oxygen", "dissolved_oxygen_saturation"):
        yield probe(name, "pair")
    for name in ("dissolved_oxygen", "dissolved_oxygen_saturation", "water_temperature"):
        yield probe(name, "one", _OXYGEN_SAYS + " Of the readings that enter, {field} stands "
                    "apart from the days around.")
    yield probe("dissolved_oxygen", "meter", _OXYGEN_SAYS + " It would be right in fresh water: "
                "the meter's salinity setting seems to be 0.")
    # Fresh or sea water would do: what the site's own water makes of the % is nearer.
    saltless = f"{readings} AND {_T} IS NOT NULL AND coalesce({_S}, {_K}, {_C}) IS NULL"
    unlike = f"""
        SELECT row_id FROM (WITH shares AS (
            SELECT row_id, e.site, date_diff('day', DATE '2000-01-01', e.local_date) // 10 AS span,
                   {_O} AS oxygen, {_P} / (31.6 + {_T}) AS air
            FROM {{events}} e WHERE {saltless}),
        usual AS (
            SELECT site, near AS span, median(oxygen / air) AS usual
            FROM (SELECT *, unnest([span - 1, span, span + 1]) AS near FROM shares)
            GROUP BY ALL HAVING count(*) >= 5)
        SELECT row_id FROM shares JOIN usual USING (site, span)
        WHERE greatest(oxygen / (air * usual), air * usual / oxygen) > {share!r}
          AND abs(oxygen - air * usual) > {gap!r})"""

    def verdict(case: Case) -> Verdict | None:
        oxygen, here = case.fact("oxygen"), case.fact("here")
        if not oxygen or not here or abs(oxygen - here) <= gap:
            return None
        return _unlike_here(case) if max(oxygen / here, here / oxygen) > share else None

    for name, kind, more in (
        ("dissolved_oxygen", "pair", ""),
        ("dissolved_oxygen_saturation", "pair", ""),
        *((name, "one", " Of the readings that enter, {field} stands apart from the days around.")
          for name in ("dissolved_oxygen", "dissolved_oxygen_saturation", "water_temperature")),
    ):
        yield Probe(
            Over.WATER, name, Effect.QUERY,
            f"{saltless} AND NOT ({odd})",
            facts=facts | {"here": _HERE, "here_text": f"format('{{:.1f}}', {_HERE})"},
            rows=unlike,
            keep=_pointing(verdict, kind),
            message="By the days around, {sat} % of saturation is {here_text} mg/l in this site's "
            f"water, but the sheet says {{mg}} mg/l.{more}")


_OXYGEN_SAYS = (
    "In this row's water {sat} % of saturation is {expected_text} mg/l, but the sheet says {mg} "
    "mg/l."
)


def _mended_oxygen(case: Case) -> Suggestion | None:
    """The number as the meter would have it, or a slip of the pen that mends all; else None."""
    here = case.fact("here")
    if here is not None and case.field == "dissolved_oxygen":
        return slip_of_the_pen(case, here * 0.95, here * 1.05)
    verdict = _oxygen_verdict(case)
    oxygen, percent = case.fact("oxygen"), case.fact("percent")
    most, salt = case.fact("saturation"), case.fact("salt")
    if verdict is None or salt is None or oxygen is None or percent is None or most is None:
        return None
    if verdict.kind == "meter":
        return suggest_number(case, percent / 100 * most)
    if verdict.kind != "one":
        return None
    if case.field == "water_temperature":
        usual = case.fact("usual_celsius")
        if usual is None:
            return None
        # The temperature at which the two readings agree, for air-saturated fresh water.
        agreed = (31.6 + (case.fact("celsius") or 0.0)) * most / (oxygen / percent * 100) - 31.6
        return slip_of_the_pen(case, max(agreed - 1.5, usual - 4), min(agreed + 1.5, usual + 4))
    meant = percent / 100 * most if case.field == "dissolved_oxygen" else 100 * oxygen / most
    return slip_of_the_pen(case, meant * 0.95, meant * 1.05)


def _supersaturated(limits: Limits, _: Network) -> Iterator[Probe]:
    share = limits["percent"] / 100
    yield Probe(
        Over.WATER,
        "dissolved_oxygen",
        Effect.QUERY,
        # Water of unknown salinity counts as fresh, which holds most.
        f"{_O} < {_OXYGEN_CEILING!r} AND {_P} IS NULL AND {_O} > {share!r} * w.saturation",
        facts={"sat": f"format('{{:.0f}}', 100 * {_O} / w.saturation)",
               "full": "format('{:.1f}', w.saturation)"},
        rows=f"SELECT row_id FROM {{events}} e WHERE {_P} IS NULL "
        f"AND {_O} > {0.94 * share!r} * {_NEAR_SATURATION} * (1 - 0.0063 * {_MOST_SALT})",
    )


# -- salt -------------------------------------------------------------------------------------

_S, _K, _C = "e.salinity", "e.specific_conductance", "e.conductivity"
# S = 0.4665 K^1.0878 (K in mS/cm at 25 degC), within 6 % of PSS-78 from 0.5 up, and 7 % with the
# linear compensation: it only spares the scale to rows that are far from disagreeing.
_NEAR_SPECIFIC = f"(0.4665 * pow({_K} / 1000, 1.0878))"
_NEAR_RAW = f"(0.4665 * pow({_C} / (1 + 0.0191 * ({_T} - 25)) / 1000, 1.0878))"
_SAME = 0.051
"""Two columns that differ by less hold the same number, rounding aside."""

_METERS_HOLD = 0.05
"""Share of a conductivity that hand-held meters hold, common practice."""


def _apart(one: str, other: str, limits: Limits, slack: float = 0.0) -> str:
    """SQL: two salinities differ by more than allowed; ``slack``: or may, within this share."""
    more = f"greatest({one}, {other})"
    allowed = f"greatest({limits['salinity']!r}, {limits['share']!r} * {more})"
    return f"abs({one} - {other}) + {slack!r} * {more} > {allowed}"


def _salt_facts() -> dict[str, str]:
    return {
        "salinity": _S, "specific": _K, "raw_reading": _C, "celsius": _T,
        "oxygen": _O, "percent": _P, "saturation": "w.saturation",
        "of_specific": "w.of_specific",
        "of_raw": "w.of_raw",
        "of_thousandfold": "w.of_thousandfold",
        "referred": "w.referred",
        "usual_salinity": _usual("salinity"),
        "usual_specific": _usual("specific_conductance"),
        "usual_raw": _usual("conductivity"),
        "usual_celsius": _usual("water_temperature"),
    }


@dataclass(frozen=True, slots=True)
class _Salt:
    """One row's readings of salt, and the salinity that each stands for."""

    salinity: float | None
    specific: float | None
    raw: float | None
    of_specific: float | None
    of_raw: float | None
    referred: float | None

    @staticmethod
    def of(case: Case) -> _Salt:
        return _Salt(*(case.fact(name) for name in (
            "salinity", "specific", "raw_reading", "of_specific", "of_raw", "referred")))


def _differ(one: float | None, other: float | None, limits: Limits) -> bool | None:
    """As :func:`_apart`; None where one of them is not known."""
    if one is None or other is None:
        return None
    return abs(one - other) > max(limits["salinity"], limits["share"] * max(one, other))


def _floored(value: float | None) -> float | None:
    """A salinity fit for its logarithm: next to nothing is all one."""
    return None if value is None else max(value, 0.1)


def _warmth(case: Case) -> float | None:
    """How far the temperature's stray moves the compensation, on a log scale."""
    now, usual = case.fact("celsius"), case.fact("usual_celsius")
    if now is None or usual is None:
        return None
    return math.log((1 + 0.0191 * (now - 25)) / (1 + 0.0191 * (usual - 25)))


def _salinity_verdict(case: Case, limits: Limits) -> Verdict | None:
    row = _Salt.of(case)
    by_specific = _differ(row.salinity, row.of_specific, limits)
    by_raw = _differ(row.salinity, row.of_raw, limits)
    if row.salinity is None or not (by_specific or by_raw) or _swapped(case, row):
        return None
    if by_raw and not by_specific and _witnessed_temperature(case):
        return Verdict("one", ("water_temperature",))
    for reading in (row.specific, row.raw):
        thousandfold = case.fact("of_thousandfold")
        if reading is not None and reading < 75 and not _differ(row.salinity, thousandfold, limits):
            return None  # the unit's own rule says so
    departure = {
        "salinity": _log_ratio(_floored(row.salinity), _floored(case.fact("usual_salinity"))),
        "specific_conductance": _log_ratio(row.specific, case.fact("usual_specific")),
        "conductivity": _log_ratio(row.raw, case.fact("usual_raw")),
    }
    for name, reading in (("specific_conductance", row.specific), ("conductivity", row.raw)):
        if reading is not None and row.salinity > 1 and (
            abs(reading / 1000 - row.salinity) < _SAME
        ):
            return _same_digits(name, departure)
    # The third reading sides with one of the two.
    if by_specific and by_raw and not _both_stray(row):
        return Verdict("one", ("salinity",))
    if by_specific and by_raw is False:
        return Verdict("one", ("specific_conductance",))
    other = "specific_conductance" if by_specific else "conductivity"
    derived = row.of_specific if by_specific else row.of_raw
    assert derived is not None
    parts = {"salinity": departure["salinity"], other: None}
    if departure[other] is not None:
        parts[other] = -departure[other]  # type: ignore[operator]
    if other == "conductivity":
        parts["water_temperature"] = _warmth(case)
        if by_specific is False:
            # Salinity and conductance agree: only the reading or its temperature is left.
            parts["salinity"] = 0.0
    residual = math.log(max(row.salinity, 0.1) / max(derived, 0.1))
    culprit = stands_apart(residual, parts) if residual else None
    if culprit is not None:
        return Verdict("one", (culprit,))
    if by_raw and by_specific is False:
        return Verdict("pair", ("conductivity", "water_temperature"))
    return Verdict("pair", ("salinity", other))


def _both_stray(row: _Salt) -> bool:
    """Whether the two conductivities do not agree with each other either."""
    if row.specific is None or row.referred is None:
        return True
    return abs(math.log(row.specific / row.referred)) > math.log(1.12)


def _same_digits(name: str, departure: Mapping[str, float | None]) -> Verdict:
    """The salinity is the conductivity in mS/cm: which column is it that holds the other's?"""
    salinity, conductivity = departure["salinity"], departure[name]
    if salinity is not None and conductivity is not None:
        if abs(conductivity) > abs(salinity) + 0.1:
            return Verdict("salinity written", (name,))
        if abs(salinity) > abs(conductivity) + 0.1:
            return Verdict("conductivity written", ("salinity",))
    return Verdict("pair", ("salinity", name))


def _salinity_disagrees(limits: Limits, _: Network) -> Iterator[Probe]:
    yield from _same_number()
    yield from _conductivity_as_salinity()
    possible = FIELDS["salinity"].possible
    assert possible is not None and possible.high is not None
    reading = f"{_S} BETWEEN 0 AND {possible.high!r}"
    unlike = [f"abs({column} - {_S}) >= {_SAME!r}" for column in (_K, _C)]
    odd = (
        f"{reading} AND ({unlike[0]} AND {_apart(_S, 'w.of_specific', limits)} "
        f"OR {unlike[1]} AND {_apart(_S, 'w.of_raw', limits)})"
    )
    rows = (
        f"SELECT row_id FROM {{events}} e WHERE {reading} "
        f"AND ({measured(_K)} AND {_apart(_S, _NEAR_SPECIFIC, limits, 0.07)} "
        f"OR {measured(_C)} AND {_T} BETWEEN -2 AND 40 "
        f"AND {_apart(_S, _NEAR_RAW, limits, 0.09)})"
    )
    specific_odd = _apart(_S, "w.of_specific", limits)
    facts = _salt_facts() | {
        "salt_text": f"format('{{:g}}', round({_S}, 1))",
        "reading_text": f"CASE WHEN {specific_odd} THEN 'specific conductance ' "
        f"|| format('{{:.0f}}', {_K}) ELSE 'conductivity ' || format('{{:.0f}}', {_C}) END "
        "|| ' uS/cm'",
        "derived_text": f"format('{{:.1f}}', CASE WHEN {specific_odd} THEN w.of_specific "
        "ELSE w.of_raw END)",
    }

    def verdict(case: Case) -> Verdict | None:
        return _salinity_verdict(case, limits)

    def probe(name: str, kind: str, message: str | None = None) -> Probe:
        return Probe(Over.WATER, name, Effect.QUERY, odd, facts=facts, rows=rows,
                     keep=_pointing(verdict, kind), message=message or _SALT_SAYS)

    for name in ("salinity", "specific_conductance", "conductivity", "water_temperature"):
        yield probe(name, "pair")
        yield probe(name, "one", _SALT_SAYS + " What else is known speaks against {field}.")
    yield probe("salinity", "conductivity written",
                "Salinity {salt_text} is the {reading_text} in mS/cm: as salinity that is "
                "{derived_text}.")
    for name in ("specific_conductance", "conductivity"):
        yield probe(name, "salinity written",
                    "{field} holds the salinity ({salt_text}) over again: it would be a salinity "
                    "of {derived_text}.")


_SALT_SAYS = (
    "Salinity {salt_text} and {reading_text} do not go together: that conducts as water of "
    "salinity {derived_text} does."
)


def _same_number() -> Iterator[Probe]:
    """The salinity stands in the conductivity's column, as it is."""
    span = FIELDS["salinity"].possible
    assert span is not None and span.high is not None
    for name in ("conductivity", "specific_conductance"):
        yield Probe(
            Over.EVENTS,
            name,
            Effect.MASK,
            # Natural only where there is next to no salt and both are near zero. Above all
            # salinities it is the conductivity that stands in both columns, and is right.
            f"e.salinity > 1 AND e.salinity <= {span.high!r} "
            f"AND abs(e.{name} - e.salinity) < {_SAME!r}",
            facts={"salinity": "format('{:g}', e.salinity)"},
            flag=Flag.SUSPECT,
            guard=Outside(f"e.{name}", span.high + 0.1, None),
        )


def _conductivity_as_salinity() -> Iterator[Probe]:
    """The conductivity in uS/cm stands in the salinity's column: no water is so salt."""
    yield Probe(
        Over.EVENTS,
        "salinity",
        Effect.MASK,
        f"{_S} BETWEEN 100 AND 75000",
        facts={
            "meant": practical_salinity_sql(_S, "25.0"),
            "specific": _K,
        },
        flag=Flag.SUSPECT,
        guard=Outside(_S, None, 99.9),
        message="Salinity {raw} is more than any water holds; it is a conductivity.",
    )


def _mended_salt(case: Case) -> Suggestion | None:
    """What the conductivity stands for where it was copied, or a slip that mends all."""
    meant = case.fact("meant")
    if meant is not None:
        # That it was one at 25 degC is told only by the column of those, with the same number.
        specific = case.fact("specific")
        same = specific is not None and case.value is not None and abs(
            specific - case.value) <= 0.005 * specific
        return suggest_number(case, meant) if same else None
    row = _Salt.of(case) if "of_specific" in case.facts else None
    if row is None or case.field != "salinity":
        return None
    derived = row.of_specific if row.of_specific is not None else row.of_raw
    if derived is None:
        return None
    for reading in (row.specific, row.raw):
        if reading is not None and row.salinity is not None and (
            abs(reading / 1000 - row.salinity) < _SAME
        ):
            return None  # what was read by another instrument it does not tell to the digit
    if row.referred is not None and row.salinity is not None and (
        abs(row.referred / 1000 - row.salinity) <= _METERS_HOLD * row.salinity
    ):
        return None  # the meter's reading at 25 degC in the salinity's column, no slip of a digit
    usual = case.fact("usual_salinity")
    offered = slip_of_the_pen(case, derived * 0.93 - 0.1, derived * 1.07 + 0.1)
    if offered is None or usual is None or row.salinity is None:
        return None
    # The days around are for it too; else the slip may be in what it is reckoned from.
    return offered if 2 * abs(derived - usual) < abs(row.salinity - usual) else None


def _swapped(case: Case, row: _Salt) -> bool:
    """Whether conductivity and specific conductance fit the temperature the other way round."""
    celsius = case.fact("celsius")
    if row.specific is None or row.raw is None or row.referred is None or celsius is None:
        return False
    other_way = math.log(row.raw * (1 + 0.0191 * (celsius - 25)) / row.specific)
    return abs(celsius - 25) > 4 and abs(other_way) < 0.06 and _both_stray(row)


def _conductance_verdict(case: Case, salt: Limits) -> Verdict | None:
    row = _Salt.of(case)
    if row.specific is None or row.raw is None or row.referred is None:
        return None
    if _swapped(case, row):
        return Verdict("swapped", ("specific_conductance", "conductivity"))
    if _differ(row.salinity, row.of_specific, salt) or _differ(row.salinity, row.of_raw, salt):
        return None  # the salinity tells more, and its own rule says so
    if _witnessed_temperature(case):
        return Verdict("one", ("water_temperature",))
    specific = _log_ratio(row.specific, case.fact("usual_specific"))
    raw = _log_ratio(row.raw, case.fact("usual_raw"))
    culprit = stands_apart(math.log(row.specific / row.referred), {
        "specific_conductance": specific,
        "conductivity": None if raw is None else -raw,
        "water_temperature": _warmth(case),
    })
    if culprit is not None:
        return Verdict("one", (culprit,))
    return Verdict("pair", ("specific_conductance", "conductivity"))


def _conductance_disagrees(limits: Limits, network: Network) -> Iterator[Probe]:
    salt = _SALINITY.limits(network)
    low, high = 1 / (1 + limits["share"]), 1 + limits["share"]
    compensated = f"({_C} / (1 + 0.0191 * ({_T} - 25)))"
    unlike = (
        f"{measured(_K)} AND {measured(_C)} AND {_T} BETWEEN -2 AND 40 "
        f"AND NOT ({_K} BETWEEN {low!r} * {compensated} AND {high!r} * {compensated})"
    )
    # Another thousand is the unit's rule to find.
    odd = f"{unlike} AND {_K} BETWEEN {compensated} / 300 AND {compensated} * 300"
    rows = f"SELECT row_id FROM {{events}} e WHERE {odd}"
    facts = _salt_facts() | {
        "specific_text": f"format('{{:.0f}}', {_K})",
        "raw_text": f"format('{{:.0f}}', {_C})",
        "referred_text": "format('{:.0f}', w.referred)",
    }

    def verdict(case: Case) -> Verdict | None:
        return _conductance_verdict(case, salt)

    def probe(name: str, kind: str, message: str | None = None) -> Probe:
        return Probe(Over.WATER, name, Effect.QUERY, odd, facts=facts, rows=rows,
                     keep=_pointing(verdict, kind), message=message)

    for name in ("specific_conductance", "conductivity"):
        yield probe(name, "pair")
        yield probe(name, "swapped", "Specific conductance {specific_text} and conductivity "
                    "{raw_text} uS/cm fit this row's temperature the other way round.")
    for name in ("specific_conductance", "conductivity", "water_temperature"):
        yield probe(name, "one", _CONDUCTS + " Of the readings that enter, {field} stands apart "
                    "from the days around.")


_CONDUCTS = (
    "Conductivity {raw_text} uS/cm at this row's temperature is {referred_text} uS/cm at 25 degC, "
    "but the sheet says {specific_text}."
)


def _mended_conductance(case: Case) -> Suggestion | None:
    row = _Salt.of(case)
    if row.specific is None or row.raw is None or row.referred is None:
        return None
    of_specific = case.field == "specific_conductance"
    if _swapped(case, row):
        return suggest_number(case, row.raw if of_specific else row.specific)
    if case.field == "water_temperature" or case.fact(
        "usual_specific" if of_specific else "usual_raw"
    ) is None:
        return None
    meant = row.referred if of_specific else row.raw * row.specific / row.referred
    return slip_of_the_pen(case, meant * 0.94, meant * 1.06)


# -- cold -------------------------------------------------------------------------------------


def _below_freezing(limits: Limits, _: Network) -> Iterator[Probe]:
    slack = limits["degrees"]
    yield Probe(
        Over.WATER,
        "water_temperature",
        Effect.QUERY,
        # Colder still is out of any water's range.
        f"{_T} >= -2 AND {_T} < w.freezing - {slack!r}",
        facts={"freezing": "format('{:.1f}', w.freezing)",
               "salt_text": "format('{:g}', round(w.salt, 1))"},
        rows=f"SELECT row_id FROM {{events}} e WHERE {_T} < {-slack!r}",
    )


_SALINITY = Rule(
    id="salinity-disagrees",
    title="Salinity and conductivity that cannot both be right",
    about="Conductivity and temperature give the salinity. The same number in both columns, "
    "or the conductivity in the salinity's, is told as what it is; else what the third "
    "reading or the days around speak against is pointed at, and both where nothing does.",
    source="PSS-78, Fofonoff & Millard 1983; refractometers hold 1, hand-held meters some "
    "5 %, common practice",
    effect=Effect.QUERY,
    message="{field} says {raw}, the same number as the salinity ({salinity}).",
    remedy="Write what each instrument showed, or leave blank what was not read.",
    probes=_salinity_disagrees,
    suggest=_mended_salt,
    thresholds={
        "salinity": Threshold(1.5, "", "salinities this near agree"),
        "share": Threshold(0.12, "", "and so do salinities within this share"),
    },
    yields_to=("temperature-unit", "below-freezing", "oxygen-disagrees", "temperature-pair",
               "ice-in-warm-water"),
    # Where only conductivity as read is there, it is reckoned from the temperature.
    reads=("water_temperature",),
    pairs=True,
    example={"field": "Conductivity", "raw": "16.3", "salinity": "16.3"},
)

RULES = (
    Rule(
        id="oxygen-disagrees",
        title="Oxygen in mg/l and in % that cannot both be right",
        about="From temperature, salinity and % of saturation the mg/l follow. The difference "
        "allowed covers the weather's pressure, meters' accuracy and rounding. Where nothing tells "
        "the salt, the days around tell what the % come to in the site's water. What stands apart "
        "from the days around is pointed at, else both; mg/l that are right for fresh water in "
        "salt water tell of the meter's setting.",
        source="Benson & Krause 1984 for oxygen at saturation; pressure at sea level moves it by "
        "up to 3 %, field meters hold 0.2 mg/l or 2 %, common practice",
        effect=Effect.QUERY,
        message=_OXYGEN_SAYS,
        remedy="Look at the field sheet for a slipped digit, and at the meter's settings.",
        probes=_oxygen_disagrees,
        suggest=_mended_oxygen,
        thresholds={
            "share": Threshold(0.10, "", "differences up to this share are the weather's and the "
                               "meter's"),
            "mg_l": Threshold(0.6, "mg/l", "differences up to this are the meter's and rounding"),
        },
        yields_to=("oxygen-unit", "temperature-unit", "below-freezing", "temperature-pair",
                   "ice-in-warm-water", "unlike-neighbours", "probe-drifting"),
        reads=("dissolved_oxygen", "dissolved_oxygen_saturation", "water_temperature"),
        pairs=True,
        example={"sat": "94", "expected_text": "10.2", "mg": "12.0"},
        version=2,
    ),
    Rule(
        id="oxygen-supersaturated",
        title="More oxygen than water takes up",
        about="Where only mg/l are written: at the row's temperature and salinity they come to "
        "more of saturation than sun and weed bring about. Written % have a range of their own.",
        source="Benson & Krause 1984; 140 % as the dictionary's plausible range of saturation",
        effect=Effect.QUERY,
        message="Dissolved oxygen {written} would be {sat} % of saturation: this row's water holds "
        "{full} mg/l.",
        remedy="Check it and the water's temperature; after a sunny bloom say that it is right.",
        probes=_supersaturated,
        thresholds={"percent": Threshold(140.0, "%", "more of saturation is asked about")},
        yields_to=("oxygen-unit", "out-of-range", "implausible", "oxygen-disagrees",
                   "temperature-unit", "temperature-pair", "unlike-neighbours", "spike"),
        reads=("water_temperature",),
        example={"written": "15.8 mg/l", "sat": "152", "full": "10.4"},
    ),
    _SALINITY,
    Rule(
        id="conductance-disagrees",
        title="Conductivity and specific conductance that cannot both be right",
        about="Conductivity as read, referred to 25 degC, is the specific conductance. Columns "
        "that hold each other's readings are told as such.",
        source="SC = C / (1 + 0.0191 (t - 25)), Standard Methods; meters with 0.02 and PSS-78 "
        "itself lie within 5 % of it",
        effect=Effect.QUERY,
        message=_CONDUCTS,
        remedy="Write what the meter showed for each, or leave one of them blank.",
        probes=_conductance_disagrees,
        suggest=_mended_conductance,
        thresholds={"share": Threshold(0.12, "", "differences up to this share are the meter's")},
        yields_to=("conductivity-unit", "salinity-disagrees", "oxygen-disagrees",
                   "temperature-unit", "below-freezing", "temperature-pair", "ice-in-warm-water"),
        reads=("specific_conductance", "conductivity", "water_temperature"),
        pairs=True,
        example={"raw_text": "9900", "referred_text": "14550", "specific_text": "41550"},
    ),
    Rule(
        id="below-freezing",
        title="Water colder than it freezes",
        about="Salt lowers the freezing point, and no further than a computed figure; what is "
        "colder is ice, or a sign or a thermometer that slipped.",
        source="Millero in Fofonoff & Millard 1983 (UNESCO 44); thermometers hold half a degree, "
        "common practice",
        effect=Effect.QUERY,
        message="Water temperature {written} is below {freezing} degC, where water of salinity "
        "{salt_text} freezes.",
        remedy="Check the sign and the thermometer.",
        probes=_below_freezing,
        thresholds={"degrees": Threshold(0.5, "degC", "a thermometer may be off by this")},
        yields_to=("temperature-unit",),
        example={"written": "-1.4 degC", "freezing": "-0.2", "salt_text": "4"},
    ),
)
