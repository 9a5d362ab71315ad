"""Rules about the animals: their size, their stage, and whether they belong there and then."""

from __future__ import annotations

import calendar
from collections.abc import Callable, Iterable, Iterator

from checks.rule import (
    Case,
    Limits,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    slip_of_the_pen,
    suggest_number,
)
from shared import past
from shared.columnar import sql_text
from shared.flags import Effect, Flag
from shared.protocol import protocols
from shared.settings import Network
from shared.staging import ROWS_A_FILE
from shared.taxa import FRESH_BELOW, REFERENCE, TAXA, Habit

_PRESENT = "c.count > 0"


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(map(sql_text, names))


def _habits() -> Iterator[tuple[str, Habit]]:
    """SQL of the catches that each entry of the reference list is about, and the entry."""
    for taxon, expected in REFERENCE.items():
        named = [habit.stage for habit in expected.habits if habit.stage is not None]
        for habit in expected.habits:
            if habit.stage is not None:
                yield f"c.taxon = '{taxon}' AND c.life_stage = '{habit.stage}'", habit
            elif named:
                yield f"c.taxon = '{taxon}' AND c.life_stage NOT IN ({_quoted(named)})", habit
            else:
                yield f"c.taxon = '{taxon}'", habit


def _by_habit(what: str, end: int) -> str:
    """SQL: the lower (0) or upper (1) end of ``what`` that the list has for the catch."""
    cases = " ".join(
        f"WHEN {which} THEN {float(span[end])!r}"
        for which, habit in _habits() if (span := getattr(habit, what)) is not None)
    return f"CASE {cases} END"


# -- size -------------------------------------------------------------------------------------


def _size(_: Limits, __: Network) -> Iterator[Probe]:
    for name in ("length", "weight"):
        low, high = _by_habit(name, 0), _by_habit(name, 1)
        odd = " OR ".join(
            f"{which} AND c.{name} NOT BETWEEN {float(span[0])!r} AND {float(span[1])!r}"
            for which, habit in _habits() if (span := getattr(habit, name)) is not None)
        yield Probe(
            Over.CATCHES,
            name,
            Effect.QUERY,
            odd,
            facts={"low": low, "high": high},
            guard=f"c.{name} IS NOT NULL",
        )


def _in_another_unit(case: Case) -> Suggestion | None:
    """The number in another unit, or with a slip undone, where exactly one reading fits."""
    low, high = case.fact("low"), case.fact("high")
    if low is None or high is None or case.value is None:
        return None
    by = (10.0, 0.1, 25.4, 1 / 25.4) if case.field == "length" else (0.001, 1000.0)
    fitting = [case.value * factor for factor in by if low <= case.value * factor <= high]
    if len(fitting) == 1:
        return suggest_number(case, fitting[0])
    return None if fitting else slip_of_the_pen(case, low, high)


FULTON = "(1e5 * c.weight / pow(c.length, 3))"
"""SQL: Fulton's condition factor of a catch's animal, from g and mm."""


def _condition(limits: Limits, _: Network) -> Iterator[Probe]:
    slack = limits["slack"]
    odd = []
    for which, habit in _habits():
        if habit.condition is not None and habit.length is not None and habit.weight is not None:
            (least, most), (short, long), (light, heavy) = (
                habit.condition, habit.length, habit.weight)
            # An odd size by itself has a rule of its own.
            odd.append(
                f"{which} AND c.length BETWEEN {short!r} AND {long!r} "
                f"AND c.weight BETWEEN {light!r} AND {heavy!r} "
                f"AND {FULTON} NOT BETWEEN {least / slack!r} AND {most * slack!r}")
    facts = {
        "long": "format('{:g}', c.length)",
        "heavy": "format('{:g}', c.weight)",
        "fulton": f"format('{{:.2g}}', {FULTON})",
        "span": f"format('{{:g}} to {{:g}}', {_by_habit('condition', 0)}, "
        f"{_by_habit('condition', 1)})",
    }
    for name in ("length", "weight"):
        yield Probe(Over.CATCHES, name, Effect.QUERY, " OR ".join(odd), facts=facts,
                    guard="c.length > 0 AND c.weight > 0")


# -- stage ------------------------------------------------------------------------------------

_ROMAN = {"1": "I", "2": "II", "3": "III", "4": "IV", "5": "V", "6": "VI", "7": "VII",
          "8": "VIII", "9": "IX"}


def _pigment(_: Limits, __: Network) -> Iterator[Probe]:
    for protocol in protocols().values():
        if not protocol.pigment_stages:
            continue
        known = "|".join(
            f"{stage}(\\.0)?" + (f"|{_ROMAN[stage]}" if stage in _ROMAN else "")
            for stage in (stage.upper() for stage in protocol.pigment_stages))
        # One stage, or those of several animals: "2, 3", "2-4", "stage 3".
        pattern = f"(STAGE )?({known})( ?[-,;/+&] ?({known}))*"
        yield Probe(
            Over.CATCHES,
            "pigment_stage",
            Effect.QUERY,
            f"NOT regexp_full_match(upper(trim(c.pigment_stage)), '{pattern}')",
            facts={
                "scale": f"'{protocol.pigment_scale}'",
                "stages": f"'{protocol.pigment_stages[0]} to {protocol.pigment_stages[-1]}'",
                "said": "c.pigment_stage",
                "protocol": "(SELECT e.protocol FROM {events} e WHERE e.row_id = c.row_id)",
            },
            keep=_under(protocol.id),
            guard="c.pigment_stage IS NOT NULL",
        )


def _under(protocol: str) -> Callable[[Case], bool]:
    """Only rows of this protocol: each names its own scale."""
    return lambda case: case.facts["protocol"] == protocol


def _months(numbers: tuple[int, ...]) -> str:
    first, last = calendar.month_name[numbers[0]], calendar.month_name[numbers[-1]]
    return f"from {first} to {last}"


_MONTH = "(SELECT monthname(e.local_date) FROM {events} e WHERE e.row_id = c.row_id)"


def _stage_and_month(_: Limits, __: Network) -> Iterator[Probe]:
    counted = {f"c.taxon = '{target.taxon}' AND c.life_stage = '{target.life_stage}'"
               for protocol in protocols().values() for target in protocol.targets}
    for which, habit in _habits():
        if habit.months is None:
            continue
        facts = {"month": _MONTH}
        if not habit.months:
            yield Probe(
                Over.CATCHES, "life_stage", Effect.QUERY, f"{_PRESENT} AND {which}", facts=facts,
                guard=which,
                message=f"{{what}} in a creek: it {habit.source}.")
            continue
        inside = ", ".join(str(month) for month in habit.months)
        facts |= {"usual_months": f"'{_months(habit.months)}'"}
        if which in counted:
            # There are as many of these as rows: fewer are the rows of other months.
            yield Probe(
                Over.CATCHES, "life_stage", Effect.QUERY,
                f"{_PRESENT} AND {which} AND c.row_id IN (SELECT row_id FROM {{events}} "
                f"WHERE month(local_date) NOT IN ({inside}))", facts=facts)
        else:
            yield Probe(
                Over.KINDS, "life_stage", Effect.QUERY,
                f"{_PRESENT} AND {which} AND month(e.local_date) NOT IN ({inside})", facts=facts,
                guard=f"{_PRESENT} AND {which}")


# -- place ------------------------------------------------------------------------------------

_VAGUE = tuple(taxon.id for taxon in TAXA.values() if taxon.rank not in ("species", "genus"))
"""Names that say too little for a first record of them to mean anything."""


def _unexpected(limits: Limits, network: Network) -> Iterator[Probe]:
    targets = {target.taxon for p in protocols().values() for target in p.targets}
    yield Probe(
        Over.CATCHES,
        "taxon",
        Effect.QUERY,
        f"{_PRESENT} AND (c.row_id, c.taxon) IN (SELECT (row_id, taxon) FROM "
        f"({_first_records(limits, (*sorted(targets), *_VAGUE))}))",
        message="{what}: none was ever recorded at this site in the seasons before.",
    )
    salt_only = _quoted(taxon for taxon, expected in REFERENCE.items() if expected.salt_only)
    yield Probe(
        Over.KINDS,
        "taxon",
        Effect.QUERY,
        # Fresh water conducts less than 1,000 uS/cm at 25 degC.
        f"{_PRESENT} AND c.taxon IN ({salt_only}) "
        f"AND (e.salinity < {FRESH_BELOW!r} OR e.salinity IS NULL "
        f"AND e.specific_conductance BETWEEN 20 AND {2000 * FRESH_BELOW!r})",
        guard=f"{_PRESENT} AND c.taxon IN ({salt_only})",
        message=f"{{what}} in fresh water: it is not known from a salinity below {FRESH_BELOW}.",
    )
    for taxon, expected in REFERENCE.items():
        south, north = expected.latitude
        beyond = [site.id for site in network.sites.values()
                  if site.latitude is not None and not south <= site.latitude <= north]
        if beyond:
            yield Probe(
                Over.KINDS,
                "taxon",
                Effect.QUERY,
                f"{_PRESENT} AND c.taxon = '{taxon}' AND e.site IN ({_quoted(beyond)})",
                facts={"south": repr(south), "north": repr(north)},
                guard=f"{_PRESENT} AND c.taxon = '{taxon}'",
                message="{what} this far from where it lives, {south} to {north} degrees north.",
            )


def _first_records(limits: Limits, common: Iterable[str]) -> str:
    """SQL: ``row_id, taxon`` of a taxon's first record at a site where it is a rarity.

    A site must have kept count of bycatch in an earlier season, with enough checks, and have
    no more than a few records of the taxon at all: what then keeps coming is established.
    The outer rows of a file stand for its first, which saves sorting all of them.
    """
    # The engine compares one by one as it reads, and a list only afterwards.
    uncommon = " AND ".join(f"taxon <> {sql_text(taxon)}" for taxon in common)
    return f"""
        WITH fished AS (
            SELECT site, season, count(*) AS checks FROM {{events}}
            WHERE season IS NOT NULL AND protocol <> 'water' GROUP BY ALL
            UNION ALL BY NAME FROM {past.FISHED}),
        caught AS (
            SELECT taxon, row_id // {ROWS_A_FILE} AS file, count(*) AS records,
                   min(row_id) AS first, max(row_id) AS last
            FROM {{catches}} WHERE count > 0 AND {uncommon} GROUP BY ALL),
        outer_rows AS (
            SELECT taxon, records, unnest([first, last]) AS row_id FROM caught),
        seen AS (
            SELECT o.taxon, o.records, o.row_id, v.site, v.season, v.local_date
            FROM outer_rows o JOIN {{events}} v USING (row_id) WHERE v.local_date IS NOT NULL
            UNION ALL BY NAME FROM {past.RECORDS}),
        firsts AS (
            SELECT site, taxon, arg_min(row_id, (local_date, row_id)) AS row_id,
                   min(season) AS season, sum(records) / 2 AS records
            FROM seen GROUP BY ALL)
        SELECT f.row_id, f.taxon FROM firsts f
        WHERE f.records <= {limits["records"]!r}
          AND EXISTS (SELECT 1 FROM seen s WHERE s.site = f.site AND s.season < f.season)
          AND (SELECT sum(checks) FROM fished h WHERE h.site = f.site AND h.season < f.season)
              >= {limits["checks"]!r}"""


def _protected(_: Limits, __: Network) -> Iterator[Probe]:
    names = _quoted(taxon.id for taxon in TAXA.values() if taxon.protected)
    of_them = f"c.taxon IN ({names}) AND {_PRESENT}"
    yield Probe(
        Over.CATCHES,
        "count",
        Effect.NOTE,
        of_them,
        facts={"number": "format('{:.0f}', c.count)",
               "dead": "format('{:.0f}', coalesce(c.mortality, 0))"},
        flag=Flag.PASS,
        guard=of_them,
    )


RULES = (
    Rule(
        id="size-for-stage",
        title="A length or weight that the stage does not have",
        about="One animal's length and weight against the reference list for its taxon and life "
        "stage. Centimetres, inches and milligrams in a column of another unit are told where "
        "only one of them fits.",
        source="the reference list in shared/taxa.py, each entry with its source; glass eels of "
        "40 to 80 mm and about 0.1 to 0.25 g, recalled",
        effect=Effect.QUERY,
        message="{field} {written} is not that of {what}: most are {bounds_usual}.",
        remedy="Check the unit, the stage and the point; if it is right, say so and it stays.",
        probes=_size,
        suggest=_in_another_unit,
        yields_to=("out-of-range", "stage-unexpected"),
        reads=("life_stage",),
        example={"field": "Length", "written": "5.8 mm", "what": "American eel (glass eel)",
                 "bounds_usual": "between 40 and 80 mm"},
    ),
    Rule(
        id="condition-outlier",
        title="A weight that does not go with the length",
        about="Fulton's condition factor, K = 100,000 x weight / length cubed (g, mm), lies far "
        "outside that of its kind, though length and weight could each be right.",
        source="Fulton's factor as in Froese 2006, J. Appl. Ichthyol. 22, 241-253; spans of the "
        "reference list, common practice",
        effect=Effect.QUERY,
        message="{what} of {long} mm and {heavy} g: its condition factor is {fulton}, most have "
        "{span}.",
        remedy="Check both numbers; one of them may be another animal's, or the weight that of "
        "several.",
        probes=_condition,
        thresholds={"slack": Threshold(1.25, "", "how far beyond the list's span is allowed, as "
                                       "a factor")},
        pairs=True,
        groups=False,
        example={"what": "American eel (glass eel)", "long": "62", "heavy": "0.02",
                 "fulton": "0.0084", "span": "0.03 to 0.2"},
    ),
    Rule(
        id="pigment-stage",
        title="A pigment stage that its scale does not have",
        about="The protocol names its scale of pigment stages; several may be given in one cell.",
        source="Haro & Krueger 1988, Can. J. Zool. 66: seven stages for A. rostrata, recalled; "
        "another protocol names its own",
        effect=Effect.QUERY,
        message='Pigment stage says "{said}", which is no stage of {scale}: {stages}.',
        remedy="Write a stage of this scale, or tell us which scale was used.",
        probes=_pigment,
        example={"said": "VIA2", "scale": "Haro & Krueger 1988 (seven stages, Anguilla rostrata)",
                 "stages": "1 to 7"},
    ),
    Rule(
        id="stage-unexpected",
        title="A life stage out of its months",
        about="Stages come and go with the year: glass eels arrive in spring, silver eels leave "
        "in autumn, and larvae never reach a creek.",
        source="the reference list in shared/taxa.py, each entry with its source",
        effect=Effect.QUERY,
        message="{what} in {month}: this stage is met {usual_months}.",
        remedy="Check the stage's column and the date; if it is right, say so, for it is rare.",
        probes=_stage_and_month,
        yields_to=("date-in-future", "date-out-of-season", "date-out-of-order"),
        reads=("local_date",),
        example={"what": "American eel (silver eel)", "month": "April",
                 "usual_months": "from July to December"},
    ),
    Rule(
        id="taxon-unexpected",
        title="An animal that is not expected here",
        about="Never recorded at the site in earlier seasons that kept count of bycatch, too far "
        "from where it lives, or in water fresher than it is known from. Asked once: a taxon "
        "that keeps coming is established.",
        source="the site's own record; the reference list in shared/taxa.py, with its sources",
        effect=Effect.QUERY,
        message="{what} is not expected here.",
        remedy="Check the name and the column; if it was seen well, say so (a photograph helps).",
        probes=_unexpected,
        thresholds={
            "checks": Threshold(40.0, "", "checks in earlier seasons from which on a first record "
                                "is asked about"),
            "records": Threshold(2.0, "", "records of the taxon up to which the first is asked "
                                 "about"),
        },
        groups=False,
        example={"what": "Blue crab"},
    ),
    Rule(
        id="protected-bycatch",
        title="A protected animal in the catch",
        about="The lead has nothing to answer; the coordinator is told the same day, in the "
        "run's notices, so that the permit's terms can be met.",
        source="taxa marked protected in shared/taxa.py; your permit's own terms decide",
        effect=Effect.NOTE,
        message="{what}: {number} caught, {dead} of them dead. It is protected, and the "
        "coordinator is told.",
        remedy="Handle and report it as the permit asks.",
        probes=_protected,
        groups=False,
        example={"what": "Sturgeon", "number": "1", "dead": "0"},
    ),
)
