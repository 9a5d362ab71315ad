"""A question as the pages know it: plain values, with the rows around."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flows.desk.rows_around import Around
from flows.returns.gathering import Ask
from flows.returns.wording import EFFECT_WORD, UNTIL_ANSWERED, day
from shared.fields import FIELDS, NUMERIC_KINDS
from shared.findings import Finding

Look = Callable[[Finding], Around | None]


def ask_document(ask: Ask, look: Look) -> dict[str, Any]:
    """``ask`` for a page and for JSON; ``look`` shows where a finding stands."""
    first = next((item for item in ask.findings if item.row is not None), ask.findings[0])
    around = look(first) if first.row is not None else None
    entry = FIELDS.get(ask.field)
    return {
        "id": ask.id, "effect": ask.effect.value, "word": EFFECT_WORD[ask.effect],
        "until": UNTIL_ANSWERED[ask.effect], "rule": ask.rule, "field": ask.field,
        "title": ask.title, "count": ask.count, "rows": ask.rows, "dates": ask.dates,
        "where": ask.where, "says": ask.says, "message": ask.message,
        "suggestion": ask.suggestion, "advice": ask.advice,
        "answers": [answer.name.lower() for answer in ask.answers],
        "asked": day(ask.asked) if ask.asked else "",
        "number": entry is not None and entry.kind in NUMERIC_KINDS,
        "findings": [item.id for item in ask.findings],
        "events": list(dict.fromkeys(item.event_id for item in ask.findings if item.event_id)),
        "around": around.as_dict() if around else None,
    }
