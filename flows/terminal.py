"""What is said on a terminal: a sheet's own text must not give the terminal orders."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

_ORDERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Control characters (ISO 6429), and those that turn the direction of text (UAX #9)."""


def shown(text: str) -> str:
    """``text`` with a mark in place of every character that a terminal would obey."""
    return _ORDERS.sub("\ufffd", text)


def console() -> Console:
    """A console that shows texts and obeys none."""
    from rich.console import Console

    class Shown(Console):
        def render_str(self, text: str, **options: Any) -> Any:
            """As its base, of the text as it may be shown."""
            return super().render_str(shown(text), **options)

    return Shown(highlight=False, soft_wrap=False)
