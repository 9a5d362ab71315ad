"""Decisions: what a person said of one value or one row, who, when and why. Pure values.

A :class:`Decision` is never edited and never removed; a later one on the same value
stands over an earlier one. An :class:`Answer` is what somebody asks for before it has
been looked at: it becomes decisions, or is refused with a sentence.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from enum import StrEnum

from shared.fields import FIELDS, NUMERIC_KINDS, Kind
from shared.identity import short_digest


class Action(StrEnum):
    """What is decided."""

    CORRECT = "correct"
    """The value should be ``new``."""
    CONFIRM = "confirm"
    """The value, or the row, is right as it stands: the rule named need not ask again."""
    WITHDRAW = "withdraw"
    """The row (or, with a field, the value) should not be in the record."""
    HOLD = "hold"
    """The row stays out until it is released."""
    RELEASE = "release"
    """The row loads, whatever holds it; its last withdrawal or hold ends."""

    @property
    def done(self) -> str:
        """The word for it when it has been done."""
        return {"correct": "corrected", "confirm": "confirmed", "withdraw": "withdrawn",
                "hold": "held", "release": "released"}[self.value]


class Channel(StrEnum):
    """The way by which a decision came."""

    WORKBOOK = "workbook"
    RESEND = "resend"
    COORDINATOR = "coordinator"
    PAGE = "page"


ROW = "#"
"""Begins ``old`` of a decision on a whole row: then comes the digest of its values."""

UNREAD = "?"
"""Begins the canonical text of a cell that could not be read: then comes what it says."""


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision. ``field`` empty: on the whole row.

    ``event_id`` is the event as the sheet has it (a row without a date has a stand-in, see
    :func:`warehouse.decisions.anchor_of`); ``becomes`` what a corrected date, time or net
    makes of it, else empty. ``old`` and ``new`` are canonical texts (:func:`canonical_text`),
    ``old`` always what the sheet says: a decision is in force while the sheet still says so.
    ``copy`` tells rows and catches apart that are alike in all this, from 1 in sheet order.
    ``rule_version`` is the rule's version and effect when it asked, such as ``1 query``.
    """

    site: str
    event_id: str
    action: Action
    field: str = ""
    taxon: str = ""
    life_stage: str = ""
    old: str = ""
    new: str = ""
    becomes: str = ""
    copy: int = 1
    reason: str = ""
    who: str = ""
    channel: Channel = Channel.COORDINATOR
    decided: dt.date = dt.date.min
    rule: str = ""
    rule_version: str = ""
    seq: int = 0
    """Its place in the network's record, from 1; 0 while it is not recorded."""

    @property
    def id(self) -> str:
        """Twelve hex digits, the same wherever the record is read."""
        return short_digest(
            self.site, self.event_id, self.action, self.field, self.taxon, self.life_stage,
            self.old, self.new, self.copy, self.channel, self.decided, self.rule, self.seq)

    def says_the_same(self, other: Decision) -> bool:
        """Whether both decide the same of the same value, whoever decided it when."""
        return (
            (self.site, self.event_id, self.action, self.field, self.taxon, self.life_stage,
             self.old, self.new, self.copy)
            == (other.site, other.event_id, other.action, other.field, other.taxon,
                other.life_stage, other.old, other.new, other.copy)
            and (self.action is not Action.CONFIRM or self.rule == other.rule))


@dataclass(frozen=True, slots=True)
class Answer:
    """What somebody asks for, before it is accepted.

    ``about``: id of a finding, or of a cause, which stands for all its findings. ``value``
    is for :attr:`Action.CORRECT`: text as a person writes it, in the unit of the sheet's
    column; None takes each finding's own suggestion. ``findings``: ids of those meant, where
    the asker knows them; empty: all that ``about`` stands for now.
    """

    site: str
    about: str
    action: Action
    value: str | None = None
    note: str = ""
    who: str = ""
    findings: tuple[str, ...] = ()


def canonical_text(value: object) -> str:
    """A staged value as text: canonical unit, ISO dates, ``07:30``; empty for no value.

    Numbers keep nine decimals, so that a unit converted twice says the same.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        rounded = round(float(value), 9)
        if math.isfinite(rounded) and rounded.is_integer() and abs(rounded) < 1e15:
            return str(int(rounded))
        return repr(rounded)
    if isinstance(value, dt.datetime):
        return value.isoformat(timespec="minutes")
    if isinstance(value, dt.time):
        return value.isoformat(timespec="minutes")
    if isinstance(value, dt.date):
        return value.isoformat()
    return str(value)


def value_of(text: str, field_id: str) -> object:
    """The staged value that canonical ``text`` stands for; None for empty text.

    Raises :class:`ValueError` when the text is none of the field's kind.
    """
    if text == "":
        return None
    entry = FIELDS[field_id]
    if entry.kind in NUMERIC_KINDS:
        number = float(text)
        if not math.isfinite(number):
            raise ValueError(f"{text} is no number")
        return number
    if entry.kind is Kind.DATE:
        return dt.date.fromisoformat(text)
    if entry.kind is Kind.TIME:
        return dt.time.fromisoformat(text)
    if entry.kind is Kind.CHOICE and text not in {choice.id for choice in entry.choices}:
        raise ValueError(f"{text} is none of the field's words")
    return text
