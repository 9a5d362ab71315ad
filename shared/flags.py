"""Quality flags and the effects of a rule.

Flags are the primary levels of the QARTOD / IODE scheme (IOC Manuals and Guides
54, vol. 3, 2013). Their order of precedence is stated once, in :data:`PRECEDENCE`.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum, StrEnum


class Flag(IntEnum):
    """Quality of one value."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


PRECEDENCE: tuple[Flag, ...] = (
    Flag.FAIL,
    Flag.SUSPECT,
    Flag.MISSING,
    Flag.PASS,
    Flag.NOT_EVALUATED,
)
"""Strongest first: of several flags on one value the first in this order stands."""


def strongest(flags: Iterable[Flag]) -> Flag:
    """The flag that stands when several were given to one value."""
    given = set(flags)
    return next((flag for flag in PRECEDENCE if flag in given), Flag.NOT_EVALUATED)


class Effect(StrEnum):
    """What a finding does to its row. Ordered from the gravest in :data:`GRAVITY`."""

    HOLD = "hold"
    MASK = "mask"
    QUERY = "query"
    NOTE = "note"


GRAVITY: tuple[Effect, ...] = (Effect.HOLD, Effect.MASK, Effect.QUERY, Effect.NOTE)

EFFECT_FLAG: dict[Effect, Flag] = {
    Effect.HOLD: Flag.FAIL,
    Effect.MASK: Flag.FAIL,
    Effect.QUERY: Flag.SUSPECT,
    Effect.NOTE: Flag.PASS,
}
"""The flag a value gets from a finding of each effect unless its rule names another."""
