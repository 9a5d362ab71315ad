"""Rules about rows one after another: copied down, pasted, summed up, rounded."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from checks.catalogue.courses import REPEATING, repeated
from checks.rule import Case, Limits, Over, Probe, Rule, Suggestion, Threshold, suggest_number
from shared.flags import Effect
from shared.settings import Network

_BY_HAND = ("water_temperature", "air_temperature", "hours_fished", "wind_speed", "precipitation")
"""Readings taken by hand; what a meter shows is the flat line's."""


def _copied(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in _BY_HAND:
        yield repeated(name, limits)
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"x.alike >= {limits['counts']!r} AND c.count > {limits['few']!r} "
        "AND x.row_id <> x.alike_id "
        f"AND power(x.repeats, x.alike - 1) * {limits['counts_one_in']!r} < 1",
        facts={"run": "x.alike", "first": "x.alike_first", "last": "x.alike_last",
               "cause": "format('{}', x.alike_id)"},
    )


_TWIN = {
    "twin": "k.twin_row", "twin_sheet": "k.twin_sheet", "twin_file": "k.twin_file",
    "date": "strftime(e.local_date, '%-d %b %Y')",
    "twin_date": "strftime(k.twin_date, '%-d %b %Y')",
    "rows_text": "k.rows",
    "cause": "format('{}', k.run_id)",
}


def _pasted(limits: Limits, _: Network) -> Iterator[Probe]:
    told = limits["readings"]
    before = f"k.how = 'before' AND k.told >= {told!r}"
    yield Probe(
        Over.COPIES, "local_date", Effect.HOLD,
        f"{before} AND k.same_tally AND k.kinds > 0", facts=_TWIN,
    )
    yield Probe(
        Over.COPIES, "local_date", Effect.QUERY,
        f"({before} AND k.told >= {told + 1!r} AND NOT (k.same_tally AND k.kinds > 0)) "
        f"OR (k.how = 'water' AND k.told >= {told!r})",
        facts=_TWIN,
        message="The readings of {date} are all the same as those of {twin_date} "
        "(row {twin}{twin_place}).",
    )
    # Few readings, and a catch that hardly comes twice: of several kinds, if but one is told.
    yield Probe(
        Over.COPIES, "local_date", Effect.QUERY,
        f"(k.how = 'before' AND k.told >= 2 AND k.told < {told!r} AND k.kinds > 0 "
        "OR k.how = 'visit' AND k.told >= 1 AND k.kinds >= 2) "
        f"AND k.same_tally AND k.animals >= {limits['animals']!r}",
        facts=_TWIN,
        message="Catch and readings of {date} are all the same as those of {twin_date} "
        "(row {twin}{twin_place}).",
    )


def _sent_before(limits: Limits, _: Network) -> Iterator[Probe]:
    again = (f"k.how = 'again' AND k.told >= {limits['readings']!r} "
             f"AND k.told + k.kinds > {limits['readings']!r}")
    for effect, lot in (
        (Effect.HOLD, f"k.rows >= {limits['rows']!r}"),
        (Effect.QUERY, f"k.rows < {limits['rows']!r}"),
    ):
        yield Probe(Over.COPIES, "local_date", effect, f"{again} AND {lot}", facts=_TWIN)


def _summed_up(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"x.run > {limits['rises']!r} AND x.rises >= {limits['rises']!r} "
        f"AND x.run_total >= {limits['animals']!r} AND x.row_id <> x.run_id "
        f"AND x.run_total >= {limits['times']!r} * x.run_start "
        f"AND x.summed >= {math.log(limits['odds'])!r}",
        facts={"run": "x.run", "far": "x.far", "first": "x.run_first", "last": "x.run_last",
               "daily": "format('{:.0f}', greatest(c.count - x.previous, 0))",
               "cause": "format('{}', x.run_id)"},
    )


def _less_the_day_before(case: Case) -> Suggestion | None:
    """The day's own count, where the sum is surely under way.

    A catch or two before it begins may be smaller by chance: these are themselves right.
    """
    daily, far = case.fact("daily"), case.fact("far")
    if daily is None or daily < 0 or far is None or far < _SURELY_UNDER_WAY:
        return None
    return suggest_number(case, daily)


_SURELY_UNDER_WAY = 5


def _rounded(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.COURSES,
        "count",
        Effect.NOTE,
        f"c.catch_id = x.latest AND x.large >= {limits['counts']!r} "
        f"AND x.round > 0.2 * x.large + {limits['deviations']!r} * sqrt(0.16 * x.large)",
        facts={"round": "x.round", "large": "x.large"},
    )


RULES = (
    Rule(
        id="copied-down",
        title="A value copied down",
        about="The same value stands in so many rows one after another as would hardly come "
        "about by itself in this column: a cell was dragged down. One run is one question.",
        source="common practice; how long is long from the column's own repeats, of counts from "
        "how they swing from check to check",
        effect=Effect.QUERY,
        message="{field} says {raw} in {run} rows one after another (rows {first} to {last}): it "
        "looks copied down.",
        remedy="Write what was found each day, or leave blank what was not taken.",
        probes=_copied,
        thresholds=REPEATING | {
            "one_in": replace(REPEATING["one_in"], default=5_000.0),
            "counts": Threshold(3.0, "", "checks of one same count from which it is asked about"),
            "few": Threshold(2.0, "", "animals of a kind that a net has night after night"),
            "counts_one_in": Threshold(
                4_000.0, "", "how seldom these would come by chance, from how the catch swings "
                "and how often this very count has come again"),
        },
        yields_to=("row-pasted", "rows-sent-before"),
        example={"field": "Water temperature", "raw": "5.2", "run": "6", "first": "40",
                 "last": "45"},
        version=3,
    ),
    Rule(
        id="row-pasted",
        title="The row of the check before, once more",
        about="All readings are those of the check before, and so is the catch: the row was "
        "copied to be overwritten, and was not. It waits, or its catch would count twice. With "
        "another catch, or few readings, it is asked about.",
        source="common practice",
        effect=Effect.HOLD,
        message="The row of {date} says just what the row of {twin_date} says (row "
        "{twin}{twin_place}).",
        remedy="Write what was found on the day, or strike the row.",
        probes=_pasted,
        thresholds={
            "readings": Threshold(3.0, "", "least readings, not zero, that are all the same"),
            "animals": Threshold(4.0, "", "with fewer readings, least animals caught in both")},
        yields_to=("duplicate-event", "rows-sent-before", "same-as-other-site"),
        of_row=True,
        example={"date": "15 Mar 2026", "twin_date": "14 Mar 2026", "twin": "40",
                 "twin_place": ""},
    ),
    Rule(
        id="rows-sent-before",
        title="Rows of another day or year again",
        about="Readings and catch are those of another day of this site, as when last year's "
        "sheet comes with this year's dates. Three such rows wait; fewer are asked about.",
        source="common practice",
        effect=Effect.HOLD,
        message="The row of {date} says just what the row of {twin_date} says (row "
        "{twin}{twin_place}); {rows_text} rows of this sheet are so.",
        remedy="Send the right sheet, or strike the rows that are not of these days.",
        probes=_sent_before,
        thresholds={
            "readings": Threshold(3.0, "", "least readings, not zero, that are all the same"),
            "rows": Threshold(3.0, "", "rows from which on they wait"),
        },
        yields_to=("duplicate-event",),
        of_row=True,
        example={"date": "15 Mar 2026", "twin_date": "15 Mar 2025", "twin": "40",
                 "twin_place": " in counts 2025.xlsx", "rows_text": "31"},
    ),
    Rule(
        id="running-total",
        title="A running total in place of the day's count",
        about="The counts only rise, check after check, and then begin anew or end, and it is "
        "their steps that are like the catches before and after, not they themselves: somebody "
        "wrote the sum so far. A run that swells has nights like its own beside it, or swells at "
        "the other sites too. One run is one question.",
        source="likelihood ratio of daily catches against their sum, catches taken as geometric "
        "(negative binomial of size 1), their mean as that of the checks beside within a factor of "
        "about two (more where these change), times the pulse of each night at the other sites; "
        "common practice",
        effect=Effect.QUERY,
        message="The counts never fall over {run} checks (rows {first} to {last}); it looks like "
        "a running total.",
        remedy="Write each day's own count.",
        probes=_summed_up,
        suggest=_less_the_day_before,
        thresholds={
            "rises": Threshold(4.0, "", "how often the count rises at least"),
            "animals": Threshold(8.0, "", "least last count of the run"),
            "times": Threshold(1.75, "", "how many times the first count the last is at least"),
            "odds": Threshold(1_250.0, "", "how many times likelier a sum is than daily catches"),
        },
        yields_to=("row-pasted", "rows-sent-before", "copied-down"),
        example={"run": "9", "first": "40", "last": "48"},
        version=4,
    ),
    Rule(
        id="round-counts",
        title="Counts that are round too often",
        about="One count in five ends in 0 or 5 when animals are counted; where far more do, "
        "they were guessed. Told once a season, and nothing is withheld.",
        source="digit preference; binomial with a share of 1 in 5, common practice",
        effect=Effect.NOTE,
        message="{round} of {large} counts of 20 and more end in 0 or 5; one in five would be "
        "usual.",
        remedy="Nothing to mend; if catches are estimated, say so in a column for the method.",
        probes=_rounded,
        thresholds={
            "counts": Threshold(12.0, "", "least counts of 20 and more to tell by"),
            "deviations": Threshold(5.0, "", "standard deviations above one in five"),
        },
        groups=False,
        example={"round": "19", "large": "22"},
    ),
)
