"""Rules about rows that stand twice, or stand no longer."""

from __future__ import annotations

from collections.abc import Iterator

from checks.rule import Limits, Over, Probe, Rule, Threshold
from shared.flags import Effect
from shared.protocol import protocols
from shared.settings import Network


def _duplicate(limits: Limits, _: Network) -> Iterator[Probe]:
    soaking = ", ".join(
        f"'{p.id}'" for p in protocols().values() if p.effort_field == "hours_fished"
    )
    facts = {
        "twin": "s.twin_row",
        "twin_sheet": "s.twin_sheet", "twin_file": "s.twin_file",
        "date": "strftime(e.local_date, '%-d %b %Y')",
    }
    yield Probe(
        Over.SERIES,
        "local_date",
        Effect.HOLD,
        "s.same_event > 1 AND s.same_content > 1 AND s.copy_number > 1",
        facts=facts,
        message="The row for {date} stands twice: it is the same as row {twin}{twin_place}.",
    )
    yield Probe(
        Over.SERIES,
        "local_date",
        Effect.HOLD,
        "s.same_event > s.same_content",
        facts=facts,
    )
    yield Probe(
        Over.SERIES,
        "local_date",
        Effect.HOLD,
        f"e.protocol IN ({soaking}) AND coalesce(s.same_event, 1) = 1 "
        "AND s.previous_date = e.local_date "
        "AND (s.previous_checked_at IS NULL OR e.checked_at IS NULL "
        f"OR date_diff('minute', s.previous_checked_at, e.checked_at) < "
        f"{60 * limits['hours_apart']!r})",
        facts=facts
        | {
            "twin": "s.previous_row",
            "twin_sheet": "s.previous_sheet",
            "twin_file": "s.previous_file",
        },
    )


def _vanished(_: Limits, __: Network) -> Iterator[Probe]:
    facts = {"date": "strftime(e.local_date, '%-d %b %Y')", "alike": "v.alike_rows"}
    yield Probe(Over.GONE, "local_date", Effect.QUERY, "v.alike = 0", facts=facts)
    # Each has a row of its own that it may be: one answer would not do for several.
    facts = facts | {"cause": "e.row_id::VARCHAR"}
    asked = "Your earlier sheet had a row for {date}; the newest one has none. "
    yield Probe(
        Over.GONE, "local_date", Effect.QUERY, "v.alike = 1", facts=facts,
        message=asked + "Row {alike} of the new sheet looks like it: is it the same net check?")
    yield Probe(
        Over.GONE, "local_date", Effect.QUERY, "v.alike > 1", facts=facts,
        message=asked + "Rows {alike} of the new sheet look like it: is one of them the same net "
        "check?")


RULES = (
    Rule(
        id="duplicate-event",
        title="The same net check twice",
        about="Two rows for one net on one day. Exact copies: the first loads, the others wait. "
        "Rows that differ: both wait, since only the lead knows which is right.",
        source="an event is known by site, protocol, net and time; common practice",
        effect=Effect.HOLD,
        message="There are two different rows for this net on {date} (see row {twin}{twin_place}).",
        remedy="Strike the one that is wrong, or give each its own time.",
        probes=_duplicate,
        of_row=True,
        thresholds={
            "hours_apart": Threshold(
                2.0, "h", "two checks of one net nearer than this are one check written twice"
            )
        },
        groups=False,
        example={"date": "14 Mar 2026", "twin": "40", "twin_place": ""},
    ),
    Rule(
        id="vanished-row",
        title="A row that an earlier sheet had",
        about="A resent sheet no longer has a row that was loaded before. It stays in the record "
        "until somebody says that it should go.",
        source="common practice: what was counted is not dropped in silence",
        effect=Effect.QUERY,
        message="Your earlier sheet had a row for {date}; the newest one has none.",
        remedy="Tell us whether it was moved or struck on purpose, or put it back.",
        probes=_vanished,
        example={"date": "14 Mar 2026"},
    ),
)
