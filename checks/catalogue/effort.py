"""Rules about effort: a count without it is not an observation of abundance."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from zoneinfo import ZoneInfo

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
)
from shared.columnar import sql_text
from shared.flags import Effect, Flag
from shared.protocol import Protocol, protocols
from shared.settings import Network

_SET = "strftime(e.set_at, '%-d %b %H:%M')"
_CHECKED = "strftime(e.checked_at, '%-d %b %H:%M')"
_CLOCK_HOURS = "(date_diff('minute', e.set_at, e.checked_at) / 60.0)"
"""Hours by the clock on the wall: on the days it changes, what a person works out by hand."""


def _soaking() -> Iterator[Protocol]:
    """Protocols whose effort is time in the water."""
    return (p for p in protocols().values() if p.effort_field == "hours_fished")


def _effort_missing(_: Limits, __: Network) -> Iterator[Probe]:
    for protocol in protocols().values():
        if protocol.effort_field is None:
            continue
        times = " AND e.soak_hours IS NULL" if protocol.effort_field == "hours_fished" else ""
        blank = f"e.protocol = '{protocol.id}' AND e.{protocol.effort_field} IS NULL{times}"
        none = f"e.protocol = '{protocol.id}' AND e.{protocol.effort_field} <= 0"
        yield Probe(
            Over.TALLIES,
            protocol.effort_field,
            Effect.HOLD,
            f"{blank} AND t.counted > 0 AND e.net_status IS DISTINCT FROM 'lifted' "
            "AND NOT EXISTS (SELECT 1 FROM {oddities} o WHERE o.row_id = e.row_id "
            f"AND o.field IN ('{protocol.effort_field}', 'set_time', 'set_date', 'check_time') "
            "AND o.kind NOT IN ('no-value', 'column-unread'))",
            flag=Flag.MISSING,
            rows=f"SELECT e.row_id FROM {{events}} e WHERE {blank}",
        )
        yield Probe(
            Over.TALLIES,
            protocol.effort_field,
            Effect.HOLD,
            f"{none} AND t.counted > 0 AND e.net_status IS DISTINCT FROM 'lifted'",
            flag=Flag.FAIL,
            rows=f"SELECT e.row_id FROM {{events}} e WHERE {none}",
            message="{field} is {raw}, yet there is a count.",
        )


def _set_after_check(limits: Limits, _: Network) -> Iterator[Probe]:
    least, most = limits["least_hours"], limits["most_hours"]
    a_day_less = f"({_CLOCK_HOURS} + 24)"
    facts = {"set": _SET, "checked": _CHECKED}
    # Each date stands in the other's column: a day earlier does not mend it, both ways do.
    turned = f"({_CLOCK_HOURS} + 48 * (e.set_date - e.local_date))"
    exchanged = (
        f"coalesce(e.set_date > e.local_date AND {turned} BETWEEN {least!r} AND {most!r} "
        f"AND (abs(e.hours_fished - {turned}) < 1 "
        f"OR e.hours_fished IS NULL AND {a_day_less} < 0), false)")
    for name, other in (("set_date", "local_date"), ("local_date", "set_date")):
        yield Probe(
            Over.EVENTS,
            name,
            Effect.HOLD,
            f"e.set_at >= e.checked_at AND {exchanged}",
            guard="e.set_at >= e.checked_at",
            # Set before the hour of the check, tomorrow's date for yesterday's says the same.
            facts=facts | {"likelier": f"CASE WHEN {a_day_less} < 0 "
                           f"THEN strftime(e.{other}, '%Y-%m-%d') END"},
            message="The net is written as set {set}, after the check of {checked}; the two "
            "dates look exchanged.",
        )
    # With a set date of its own the day is the likelier slip, and a day earlier mends most.
    yield Probe(
        Over.EVENTS,
        "set_date",
        Effect.HOLD,
        f"e.set_at >= e.checked_at AND e.set_date IS NOT NULL AND NOT {exchanged}",
        guard="e.set_at >= e.checked_at",
        facts=facts
        | {
            "likelier": f"CASE WHEN {a_day_less} BETWEEN {least!r} AND {most!r} "
            "THEN strftime(e.set_date - 1, '%Y-%m-%d') END",
        },
    )
    yield Probe(
        Over.EVENTS,
        "set_time",
        Effect.HOLD,
        "e.set_at >= e.checked_at AND e.set_date IS NULL",
        guard="e.set_at >= e.checked_at",
        facts=facts,
    )
    yield Probe(
        Over.EVENTS,
        "set_date",
        Effect.HOLD,
        "e.set_date > coalesce(e.check_date, e.local_date) "
        "AND (e.set_at IS NULL OR e.checked_at IS NULL)",
        facts={
            "set": "strftime(e.set_date, '%-d %b %Y')",
            "checked": "strftime(coalesce(e.check_date, e.local_date), '%-d %b %Y')",
        },
    )


def _likelier_day(case: Case) -> Suggestion | None:
    day = case.facts.get("likelier")
    return Suggestion(str(day), str(day)) if day else None


def _too_long(limits: Limits, _: Network) -> Iterator[Probe]:
    query, hold = limits["query_hours"], limits["hold_hours"]
    least = min(query, hold)
    for protocol in _soaking():
        mine = f"e.protocol = '{protocol.id}'"
        for field, column in (("set_date", "e.soak_hours"), ("hours_fished", "e.hours_fished")):
            other = (
                ""
                if field == "set_date"
                else (f" AND NOT coalesce(e.soak_hours > {query!r}, FALSE)")
            )
            facts = {"hours": f"format('{{:.0f}}', {column})", "limit": repr(query)}
            yield Probe(
                Over.EVENTS,
                field,
                Effect.QUERY,
                f"{mine} AND {column} > {query!r} AND {column} <= {hold!r}{other}",
                facts=facts,
                guard=Outside(column, None, least),
            )
            yield Probe(
                Over.EVENTS,
                field,
                Effect.HOLD,
                f"{mine} AND {column} > {hold!r}{other}",
                facts=facts,
                guard=Outside(column, None, least),
            )


_WATCH_DAYS = 45
"""Days after the clocks change in which a watch may still be on the old time."""


_WATCHED_ROWS = 3
"""Rows an hour apart from which on it is a watch and not a slip of the pen."""


def _clock_change(case: Case) -> int:
    """Hours that the clocks were put on (or, below zero, back) lately at the row's site."""
    zone, day = case.facts.get("zone"), case.facts.get("day")
    if not zone or not day:
        return 0
    noon = dt.datetime.combine(dt.date.fromisoformat(str(day)), dt.time(12), ZoneInfo(str(zone)))
    now, before = noon.utcoffset(), (noon - dt.timedelta(days=_WATCH_DAYS)).utcoffset()
    if now is None or before is None:
        return 0
    return round((now - before) / dt.timedelta(hours=1))


def _watched(case: Case) -> str:
    """The time that a watch on the old time told: of the check, of the setting, or of neither.

    Put on an hour, such a watch is early: timed by it, a check makes the soak too short and a
    setting makes it too long.
    """
    short, change = case.fact("short"), _clock_change(case)
    if not short or not change:
        return "hours_fished"
    return "check_time" if short * change > 0 else "set_time"


def _put_on(case: Case) -> Suggestion | None:
    """The time as the changed clock told it, where the watch was so for some rows."""
    clock, alike, change = case.facts.get("clock"), case.fact("alike"), _clock_change(case)
    if not clock or alike is None or alike < _WATCHED_ROWS:
        return None
    time = dt.time.fromisoformat(str(clock))
    right = f"{(time.hour + change) % 24:02d}:{time.minute:02d}"
    return Suggestion(right, right)


def _mismatch(limits: Limits, network: Network) -> Iterator[Probe]:
    by = limits["hours"]
    unlike = f"abs(e.hours_fished - e.soak_hours) > {by!r}"
    odd = (f"{unlike} "
           f"AND abs(e.hours_fished - {_CLOCK_HOURS}) > {by!r} AND e.set_at < e.checked_at")
    an_hour = f"abs(abs(e.hours_fished - e.soak_hours) - 1) <= {1 - by!r}"
    facts = {"set": _SET, "checked": _CHECKED, "soak_text": "format('{:.1f}', e.soak_hours)"}
    yield Probe(
        Over.EVENTS,
        "hours_fished",
        Effect.QUERY,
        f"{odd} AND NOT {an_hour}",
        facts=facts | {"soak": "e.soak_hours"},
        guard=unlike,
    )
    # Just an hour: more often a watch than the hours, and one watch is one question.
    short = "(e.hours_fished - e.soak_hours)"
    zones = " ".join(f"WHEN {sql_text(site.id)} THEN {sql_text(site.zone)}"
                     for site in network.sites.values())
    facts |= {
        "cause": "'an hour ' || e.gear_unit", "short": short,
        "hours_text": "format('{:.1f}', e.hours_fished)",
        "day": "strftime(e.local_date, '%Y-%m-%d')",
        "zone": f"CASE e.site {zones} END" if zones else "NULL",
        "alike": "(SELECT count(*) FROM {events} o WHERE o.site = e.site "
                 "AND o.gear_unit IS NOT DISTINCT FROM e.gear_unit "
                 f"AND abs(o.hours_fished - o.soak_hours - sign({short})) <= {1 - by!r} "
                 f"AND abs(o.local_date - e.local_date) <= {_WATCH_DAYS})",
    }
    for field, at in (("check_time", "checked_at"), ("set_time", "set_at")):
        yield Probe(
            Over.EVENTS,
            field,
            Effect.QUERY,
            f"{odd} AND {an_hour} AND e.{field} IS NOT NULL",
            facts=facts | {"clock": f"strftime(e.{at}, '%H:%M')"},
            keep=lambda case: _watched(case) == case.field,
            guard=unlike,
            message="{field} says {raw}: from {set} to {checked} is {soak_text} h, an hour apart "
            "from the {hours_text} h written, since the clocks changed. Was a watch not changed?",
        )
    yield Probe(
        Over.EVENTS,
        "hours_fished",
        Effect.QUERY,
        f"{odd} AND {an_hour}",
        facts=facts | {"timed": "CASE WHEN e.check_time IS NOT NULL THEN 'check_time ' ELSE '' "
                       "END || CASE WHEN e.set_time IS NOT NULL THEN 'set_time' ELSE '' END"},
        keep=lambda case: _watched(case) not in str(case.facts.get("timed")).split(),
        guard=unlike,
        message="{field} says {raw}, but from {set} to {checked} is {soak_text} h, an hour "
        "apart: was a watch not changed with the clocks?",
    )
    soaking = ", ".join(f"'{protocol.id}'" for protocol in _soaking())
    days = (f"e.hours_fished * 24 BETWEEN y.hours_fished * {1 - limits['share']!r} "
            f"AND y.hours_fished * {1 + limits['share']!r}")
    yield Probe(
        Over.NEIGHBOURS,
        "hours_fished",
        Effect.QUERY,
        f"e.protocol IN ({soaking}) AND e.soak_hours IS NULL AND y.hours_fished >= 12 "
        f"AND e.hours_fished < 4 AND {days}",
        facts={"usual_text": "format('{:.0f}', y.hours_fished)",
               "soak": "24 * e.hours_fished"},
        guard=Outside("e.hours_fished", 4.0, None),
        message="{field} says {raw}, where this net fishes about {usual_text}: are these days?",
    )


def _hours_between(case: Case) -> Suggestion | None:
    if case.field != "hours_fished":
        return _put_on(case)
    soak = case.fact("soak")
    return None if soak is None else suggest_number(case, soak)


def _overlap(limits: Limits, _: Network) -> Iterator[Probe]:
    slack = limits["slack_hours"]
    for protocol in _soaking():
        mine = f"e.protocol = '{protocol.id}'"
        facts = {"set": _SET, "previous": "strftime(s.previous_checked_at, '%-d %b %H:%M')"}
        yield Probe(
            Over.SERIES,
            "set_time",
            Effect.QUERY,
            f"{mine} AND e.set_at < e.checked_at AND s.previous_checked_at < e.checked_at "
            f"AND date_diff('minute', e.set_at, s.previous_checked_at) > {60 * slack!r}",
            facts=facts,
        )
        yield Probe(
            Over.SERIES,
            "hours_fished",
            Effect.QUERY,
            f"{mine} AND e.set_at IS NULL AND s.previous_checked_at < e.checked_at "
            "AND e.hours_fished - date_diff('minute', s.previous_checked_at, e.checked_at) / 60.0 "
            f"> {slack!r}",
            facts=facts,
            message="{field} {written} reaches back before the previous check of "
            "this net ({previous}).",
        )


def _not_fishing(_: Limits, __: Network) -> Iterator[Probe]:
    yield Probe(
        Over.TALLIES,
        "net_status",
        Effect.HOLD,
        "e.net_status = 'lifted' AND t.counted_sum > 0",
        # A lifted net is one finding, however many kinds of animal are written.
        facts={
            "animals": "format('{:.0f}', (SELECT sum(a.counted_sum) FROM rule_tallies a "
            "WHERE a.row_id = e.row_id))"
        },
        rows="SELECT row_id FROM {events} WHERE net_status = 'lifted'",
    )


RULES = (
    Rule(
        id="effort-missing",
        title="A count with no effort",
        about="Without hours fished (or hauls) a count cannot be compared with any other. Effort "
        "is never filled in silently.",
        source="CPUE = catch / effort; common practice in every fishery survey",
        effect=Effect.HOLD,
        message="There is a count, but nothing says how long the net fished ({field} is blank).",
        remedy="Fill in the effort, or the times the net was set and checked.",
        probes=_effort_missing,
        yields_to=("not-understood", "date-unreadable", "missing-required", "set-after-check",
                   "duplicate-event"),
        example={"field": "Hours fished"},
    ),
    Rule(
        id="set-after-check",
        title="Set after it was checked",
        about="The net was set later than, or at the same time as, it was checked: dates or "
        "times are swapped, or morning and evening are.",
        source="logic",
        effect=Effect.HOLD,
        message="The net is written as set {set}, after the check of {checked}.",
        remedy="Mend the date or time that is wrong (12-hour times often are).",
        probes=_set_after_check,
        suggest=_likelier_day,
        thresholds={
            "least_hours": Threshold(6.0, "h", "a day earlier is offered from this soak"),
            "most_hours": Threshold(36.0, "h", "a day earlier is offered up to this soak"),
        },
        yields_to=("date-out-of-season", "date-in-future"),
        groups=False,
        pairs=True,
        example={"set": "14 Mar 17:30", "checked": "14 Mar 07:15"},
    ),
    Rule(
        id="soak-too-long",
        title="A soak longer than nets are left",
        about="Nets are checked about daily; a longer soak is asked about, one of a week or more "
        "waits for an answer.",
        source="common practice; permits usually ask for daily checks",
        effect=Effect.QUERY,
        message="The net would have fished {hours} h, longer than the usual limit of "
        "{query_hours} h.",
        remedy="Check the set date and the hours; if the net really was left, say so.",
        probes=_too_long,
        thresholds={
            "query_hours": Threshold(54.0, "h", "longer soaks are asked about"),
            "hold_hours": Threshold(168.0, "h", "longer soaks are held"),
        },
        yields_to=(
            "set-after-check",
            "date-in-future",
            "date-out-of-season",
            "date-unreadable",
            "date-out-of-order",
        ),
        groups=False,
        example={"hours": "120", "query_hours": "54"},
    ),
    Rule(
        id="effort-mismatch",
        title="Stated hours that are not the time between set and check",
        about="The hours written and the hours between the times differ by more than rounding. "
        "Both the true elapsed time and the clock's are allowed on days the clock changes. Rows "
        "that are an hour apart are one question; soon after the clocks change what a watch on the "
        "old time should have told is offered. With no times beside, hours that are right as "
        "days are asked about.",
        source="logic; rounding to the hour is common practice",
        effect=Effect.QUERY,
        message="{field} says {raw}, but from {set} to {checked} is {soak_text} h.",
        remedy="Mend whichever is wrong.",
        probes=_mismatch,
        suggest=_hours_between,
        thresholds={
            "hours": Threshold(0.75, "h", "differences up to this are rounding"),
            "share": Threshold(0.3, "", "a day's soak is the site's usual within this share"),
        },
        yields_to=("soak-too-long", "set-after-check", "out-of-range", "soak-overlap"),
        groups=False,
        version=3,
        example={
            "field": "Hours fished",
            "raw": "34",
            "set": "13 Mar 07:10",
            "checked": "14 Mar 07:25",
            "soak_text": "24.2",
        },
    ),
    Rule(
        id="soak-overlap",
        title="Fishing before the previous check",
        about="One net cannot fish two soaks at once: this one starts before the one before it "
        "ended.",
        source="logic",
        effect=Effect.QUERY,
        message="This soak starts {set}, before the previous check of the same net ({previous}).",
        remedy="Check the set date and time; or tell us if there were two nets.",
        probes=_overlap,
        thresholds={"slack_hours": Threshold(0.75, "h", "overlaps up to this are rounding")},
        yields_to=("soak-too-long", "duplicate-event", "date-out-of-order"),
        groups=False,
        example={"set": "12 Mar 07:00", "previous": "13 Mar 07:10"},
    ),
    Rule(
        id="count-while-not-fishing",
        title="A catch in a net that was not fishing",
        about="The net is marked as lifted, yet animals are counted. One of the two is wrong.",
        source="logic",
        effect=Effect.HOLD,
        message="The net is marked as not fishing, yet {animals} animals are counted.",
        remedy="Mend the status, or move the count to the day it belongs to.",
        probes=_not_fishing,
        groups=False,
        example={"animals": "41"},
    ),
)
