"""Rules about when: unreadable dates, dates in the future, out of season or of another year."""

from __future__ import annotations

from collections.abc import Iterator

from checks.rule import Case, Limits, Over, Probe, Rule, Suggestion, Threshold
from shared.fields import FIELDS, Kind
from shared.flags import Effect, Flag
from shared.protocol import protocols
from shared.settings import Network


def _unreadable(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in FIELDS.values():
        if entry.kind is Kind.DATE:
            yield Probe(
                Over.ODDITIES,
                entry.id,
                entry.bad_effect,
                f"o.kind = 'not-understood' AND o.field = '{entry.id}'",
                facts={"detail": "o.detail"},
                flag=Flag.FAIL,
            )


def _future(_: Limits, __: Network) -> Iterator[Probe]:
    yield Probe(
        Over.EVENTS,
        "local_date",
        Effect.HOLD,
        "e.local_date > {as_of}",
        facts={"date": "strftime(e.local_date, '%-d %b %Y')"},
    )


def _seasonal() -> str:
    return ", ".join(f"'{p.id}'" for p in protocols().values() if not p.year_round)


def _out_of_season(_: Limits, network: Network) -> Iterator[Probe]:
    start = network.season_start[0] * 100 + network.season_start[1]
    end = network.season_end[0] * 100 + network.season_end[1]
    day = "(month(e.local_date) * 100 + day(e.local_date))"
    inside = (
        f"{day} BETWEEN {start} AND {end}"
        if start <= end
        else f"({day} >= {start} OR {day} <= {end})"
    )
    facts = {
        "date": "strftime(e.local_date, '%-d %b %Y')",
        "why": "'outside the network''s season'",
    }
    yield Probe(
        Over.EVENTS,
        "local_date",
        Effect.HOLD,
        f"e.protocol IN ({_seasonal()}) AND NOT ({inside})",
        facts=facts,
    )
    # In season, but of a year that neither the row above nor the row below is of; a sheet of
    # hauls that begins before New Year is near its rows in days.
    yield Probe(
        Over.SHEETS,
        "local_date",
        Effect.HOLD,
        "e.season IS DISTINCT FROM g.sheet_season AND g.sheet_season IS NOT NULL "
        "AND g.sheet_rows >= 4 AND g.season_share >= 0.75 AND g.days_away > 183 "
        "AND e.season IS DISTINCT FROM g.previous_season "
        "AND e.season IS DISTINCT FROM g.next_season",
        facts=facts
        | {
            "why": "'of another year than the rows around it'",
            "same_day": "CASE WHEN e.local_date IS NOT NULL THEN "
            "strftime(e.local_date + to_years(CAST(g.sheet_season - e.season AS "
            "INTEGER)), '%Y-%m-%d') END",
        },
    )


def _out_of_order(limits: Limits, _: Network) -> Iterator[Probe]:
    exchanged = ("TRY_CAST(format('{:04d}-{:02d}-{:02d}', year(e.local_date), "
                 "day(e.local_date), month(e.local_date)) AS DATE)")
    yield Probe(
        Over.SHEETS,
        "local_date",
        Effect.QUERY,
        f"g.day_below - g.day_above BETWEEN 0 AND {limits['near']!r} "
        f"AND (e.local_date < g.day_above - {limits['days']!r}::INTEGER "
        f"OR e.local_date > g.day_below + {limits['days']!r}::INTEGER)",
        facts={
            "date": "strftime(e.local_date, '%-d %b %Y')",
            "above": "strftime(g.day_above, '%-d %b %Y')",
            "below": "strftime(g.day_below, '%-d %b %Y')",
            "same_day": f"CASE WHEN {exchanged} BETWEEN "
            f"g.day_above AND g.day_below THEN strftime({exchanged}, '%Y-%m-%d') END",
        },
    )


def _same_day_this_year(case: Case) -> Suggestion | None:
    day = case.facts.get("same_day")
    return Suggestion(str(day), str(day)) if day else None


RULES = (
    Rule(
        id="date-unreadable",
        title="A date that cannot be read",
        about="A day that does not exist, a misspelt month, or a form whose order of day and "
        "month nothing in the column decides.",
        source="common practice",
        effect=Effect.HOLD,
        message='{field} says "{raw}", which is not a day we can read.',
        remedy="Write the date again, with the month as a word if in doubt (14 Mar 2026).",
        probes=_unreadable,
        groups=False,
        example={"field": "Date", "raw": "32/03/2026"},
    ),
    Rule(
        id="date-in-future",
        title="A date that has not come yet",
        about="The row is dated after the day of the run.",
        source="common practice",
        effect=Effect.HOLD,
        message="The row is dated {date}, which has not come yet.",
        remedy="Mend the date.",
        probes=_future,
        groups=False,
        example={"date": "14 Mar 2062"},
    ),
    Rule(
        id="date-out-of-season",
        title="A date outside the season or of another year",
        about="Glass-eel nets fish in the network's season only; a lone row of another year "
        "among rows of this one is a slip of the pen, common in January and February.",
        source="the network's season in network.toml; common practice",
        effect=Effect.HOLD,
        message="The row is dated {date}, {why}.",
        remedy="Mend the date, or tell us that it is right.",
        probes=_out_of_season,
        suggest=_same_day_this_year,
        yields_to=("date-in-future",),
        example={"date": "14 Mar 2025", "why": "of another year than the rows around it"},
    ),
    Rule(
        id="date-out-of-order",
        title="A date that the rows above and below speak against",
        about="The rows above and below are of days near each other, and this one is weeks from "
        "both: day and month changed places, or the month is another. Where the former puts the "
        "row between them, it is offered.",
        source="sheets are filled in day by day; common practice",
        effect=Effect.QUERY,
        message="The row is dated {date}, between rows of {above} and {below}.",
        remedy="Mend the date, or tell us that it is right.",
        probes=_out_of_order,
        suggest=_same_day_this_year,
        thresholds={
            "near": Threshold(10.0, "d", "how near each other the rows above and below are"),
            "days": Threshold(10.0, "d", "how far from both the row is at least"),
        },
        yields_to=("date-in-future", "date-out-of-season", "set-after-check", "duplicate-event",
                   "rows-redated"),
        groups=False,
        example={"date": "4 Mar 2026", "above": "2 Apr 2026", "below": "4 Apr 2026"},
    ),
)
