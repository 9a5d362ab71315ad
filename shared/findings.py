"""A finding: what a rule says of one value, row or file. Data, never prose only."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from shared.flags import Effect, Flag
from shared.identity import short_digest


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a rule found.

    ``sheet``, ``row`` (1-based, as the lead sees it) and ``cell`` say where; they are
    empty or None for findings about a whole file. ``value`` is the text of the cell as
    received; ``suggestion`` the value we would propose, for people, in the sheet's own
    unit where there is one, and ``suggested`` the same as a canonical number or text.
    ``cause`` is shared by the findings that one answer would settle. ``row_id`` and
    ``catch_id`` are the staged row it speaks of (None: a whole file).
    """

    site: str
    file: str
    file_sha256: str
    sheet: str
    row: int | None
    cell: str
    field: str
    rule: str
    effect: Effect
    flag: Flag
    value: str
    suggestion: str
    suggested: str
    message: str
    event_id: str = ""
    taxon: str = ""
    life_stage: str = ""
    local_date: str = ""
    cause: str = ""
    row_id: int | None = None
    catch_id: int | None = None
    qualifier: str = ""
    """The mark that the value carries itself, as "~" in "~200"."""
    settled: str = ""
    """How a decision took the question out: ``confirmed`` or ``released``; it is a note then."""

    apart: str = ""
    """Tells rows apart that are the same event: what is on the row, where that is needed."""

    @property
    def id(self) -> str:
        """Stable as long as the same rule says the same of the same value."""
        anchor = (self.event_id or f"{self.sheet}:{self.row}") + self.apart
        return short_digest(
            self.site, anchor, self.field, self.taxon, self.life_stage, self.rule, self.value
        )

    def as_contract(self) -> dict[str, Any]:
        """The finding as ``tallyweir check --json`` prints it (design contract)."""
        whole = asdict(self)
        wanted = (
            "sheet",
            "row",
            "cell",
            "field",
            "rule",
            "effect",
            "flag",
            "value",
            "suggestion",
            "message",
        )
        out: dict[str, Any] = {key: whole[key] for key in wanted}
        out["effect"] = self.effect.value
        out["flag"] = int(self.flag)
        out["suggestion"] = self.suggestion or None
        if self.qualifier:
            out["qualifier"] = self.qualifier
        return out
