"""How places, dates, values and numbers of rows are put to a site lead.

The workbook and the message both speak through this module, so that a lead who
compares the two reads the same words.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence

from shared.fields import FIELDS, Level
from shared.findings import Finding
from shared.flags import Effect
from shared.problems import Trouble
from shared.taxa import TAXA, UNSTAGED

# strftime would follow the machine's language, and the bytes with it.
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_SPACES = re.compile(r"\s+")
_DEGREES = re.compile(r"\bdeg([CF])\b")
_CELL = re.compile(r"([A-Z]+)([0-9]+)")
_SAMPLES = 3

EFFECT_WORD: dict[Effect, str] = {
    Effect.HOLD: "Row held",
    Effect.MASK: "Value left out",
    Effect.QUERY: "Please confirm",
    Effect.NOTE: "Noted",
}
"""An effect in a word or two, for people."""

UNTIL_ANSWERED: dict[Effect, str] = {
    Effect.HOLD: "Until you answer: not loaded.",
    Effect.MASK: "Until you answer: loaded without this value.",
    Effect.QUERY: "Until you answer: loaded, marked as doubtful.",
    Effect.NOTE: "",
}


def plain(text: str, limit: int = 500) -> str:
    """``text`` on one line, printable, at most ``limit`` characters, cut between words.

    Unit ids that are spelled for machines (``degF``, ``uS``) get their usual sign.
    """
    printable = "".join(char if char.isprintable() else " " for char in text)
    line = _SPACES.sub(" ", printable).strip()
    line = _DEGREES.sub(r"°\1", line).replace("uS/cm", "µS/cm")
    if len(line) <= limit:
        return line
    cut = line[: limit - 1]
    head, space, _ = cut.rpartition(" ")
    return (head if space and len(head) > limit // 2 else cut).rstrip(",;: ") + "…"


def counted(number: int, one: str, many: str = "") -> str:
    """``3 rows``, ``1 row``: the number and the noun that goes with it."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def day(date: dt.date) -> str:
    """``7 Mar 2026``: read the same on both sides of a border."""
    return f"{date.day} {_MONTHS[date.month - 1]} {date.year}"


def days(first: dt.date | None, last: dt.date | None) -> str:
    """``7 Mar 2026`` or ``7 Mar to 4 Apr 2026``; empty when no date is known."""
    if first is None or last is None:
        return ""
    if first == last:
        return day(first)
    start = day(first).removesuffix(f" {last.year}")
    if (first.year, first.month) == (last.year, last.month):
        start = str(first.day)
    return f"{start} to {day(last)}"


def date_of(finding: Finding) -> dt.date | None:
    """The finding's local date, or None where its row has none that can be read."""
    try:
        return dt.date.fromisoformat(finding.local_date)
    except ValueError:
        return None


def field_title(finding: Finding) -> str:
    """What the value is: ``Water temperature``, ``Count, American eel (glass eel)``."""
    entry = FIELDS.get(finding.field)
    if entry is None:
        return ""
    if entry.level is not Level.CATCH or not finding.taxon:
        return entry.title
    taxon = TAXA.get(finding.taxon)
    name = taxon.vernacular if taxon is not None else plain(finding.taxon, 40)
    stage = finding.life_stage if finding.life_stage not in ("", UNSTAGED) else ""
    return f"{entry.title}, {name}" + (f" ({stage})" if stage else "")


def values(findings: Sequence[Finding]) -> str:
    """The cells' own text, a few of them: ``41, 42.1, 43 and 27 more``."""
    distinct = list(dict.fromkeys(plain(item.value, 60) or "(blank)" for item in findings))
    if len(distinct) == 1:
        many = {1: "", 2: " (in both)"}.get(len(findings), f" (in all {len(findings):,})")
        return distinct[0] + many
    shown = distinct[:_SAMPLES]
    rest = len(findings) - sum(
        (plain(item.value, 60) or "(blank)") in shown for item in findings
    )
    return ", ".join(shown) + (f" and {rest:,} more" if rest else "")


def proposals(findings: Sequence[Finding]) -> str:
    """What we propose, for all of ``findings`` at once; empty when for none of them."""
    proposed = [item for item in findings if item.suggestion]
    if not proposed:
        return ""
    distinct = list(dict.fromkeys(plain(item.suggestion, 160) for item in proposed))
    if len(distinct) == 1:
        text = distinct[0]
    else:
        pairs = list(dict.fromkeys(
            f"{plain(item.value, 30) or '(blank)'} → {plain(item.suggestion, 60)}"
            for item in proposed
        ))
        text = "; ".join(pairs[:_SAMPLES]) + ("; and so on" if len(pairs) > _SAMPLES else "")
    if len(proposed) < len(findings):
        text = f"For {len(proposed):,} of the {len(findings):,}: {text}"
    return text


def explanation(findings: Sequence[Finding]) -> str:
    """What looks odd, as one sentence for all of ``findings``."""
    first = plain(findings[0].message)
    others = len(findings) - 1
    if not others or len({item.message for item in findings}) == 1:
        return first
    alike = (f"The other {others:,} are odd in the same way." if others > 1
             else "One more is odd in the same way.")
    # Told first, so that a message cut to length is never cut in the middle of it.
    return f"{first.partition('. ')[0].rstrip('.')}. {alike}"


def place(findings: Sequence[Finding]) -> str:
    """Where ``findings`` stand: ``sheet 'Eels' of file Alder.xlsx, F12 to F41 (30 cells)``.

    One part a sheet of a file. A finding without a cell is placed by its row, one without
    a row by its sheet or file.
    """
    by_sheet: dict[tuple[str, str], list[Finding]] = {}
    for item in findings:
        by_sheet.setdefault((item.file, item.sheet), []).append(item)
    parts = []
    for (file, sheet), members in by_sheet.items():
        spot = _spots(members) or "as a whole"
        named = f"file {plain(file, 60)}" if file else ""
        if sheet:
            named = f"sheet '{plain(sheet, 40)}'" + (f" of {named}" if named else "")
        parts.append(f"{named}, {spot}" if named else spot)
    return "; ".join(parts)


def _spots(members: Sequence[Finding]) -> str:
    """Cells (or rows) of one sheet, in the fewest words that still find them."""
    columns: dict[str, set[int]] = {}
    odd_cells: list[str] = []
    rows: set[int] = set()
    for item in members:
        match = _CELL.fullmatch(item.cell)
        if match:
            columns.setdefault(match[1], set()).add(int(match[2]))
        elif item.cell:
            odd_cells.append(plain(item.cell, 30))
        elif item.row is not None:
            rows.add(item.row)
    parts = [_run(sorted(numbers), column, "cell") for column, numbers in sorted(
        columns.items(), key=lambda pair: (len(pair[0]), pair[0]))]
    parts += list(dict.fromkeys(odd_cells))[:_SAMPLES]
    if rows:
        parts.append(_run(sorted(rows), "row ", "row"))
    if len(parts) > _SAMPLES + 1:
        parts = [*parts[:_SAMPLES], f"and {len(parts) - _SAMPLES} more columns"]
    return ", ".join(parts)


def _run(numbers: list[int], prefix: str, noun: str) -> str:
    """``F12 to F41 (30 cells)``, ``rows 3 and 9``, ``30 cells from F12 to F88``."""
    start, end, many = numbers[0], numbers[-1], len(numbers)
    plural = "rows " if noun == "row" else prefix
    again = "" if noun == "row" else prefix
    if many == 1:
        return f"{prefix}{start}"
    if many == 2 or (many <= _SAMPLES and end - start >= many):
        listed = [f"{again}{number}" for number in numbers]
        return f"{plural if noun == 'row' else ''}{', '.join(listed[:-1])} and {listed[-1]}"
    if end - start == many - 1:
        return f"{plural}{start} to {again}{end} ({counted(many, noun)})"
    return f"{counted(many, noun)} from {again}{start} to {again}{end}"


def account_line(account: Mapping[str, int]) -> str:
    """What arrived and what became of it, in one line.

    ``account`` has the numbers of rows under ``rows, clean, queried, masked, held,
    skipped``; what is absent counts as none.
    """
    rows = account.get("rows", 0)
    if not rows:
        return "No row of counts could be taken from what you sent."
    terms = [
        (account.get("queried", 0), "to confirm"),
        (account.get("masked", 0), "with an odd value left out"),
    ]
    held = account.get("held", 0)
    loaded = rows - held
    details = [f"{number:,} {words}" for number, words in terms if number]
    arrived = f"{counted(rows, 'row')} arrived"
    if held:
        became = f"{loaded:,} loaded" if loaded else "none loaded"
    else:
        became = "all loaded" if rows > 1 else "loaded"
    line = f"{arrived}, {became}"
    if details:
        line += f" ({', '.join(details)})"
    line += f", {held:,} held until you answer." if held else "."
    skipped = account.get("skipped", 0)
    if skipped:
        line += f" {counted(skipped, 'line')} (such as totals) passed over as not data."
    return line


def trouble_line(trouble: Trouble, limit: int = 300) -> str:
    """A trouble with a file, told to the one who sent it."""
    name = f"Your file {plain(trouble.where, 60)}" if trouble.where else "A file of yours"
    unread = " could not be read" if trouble.code.startswith("file-") else ""
    return plain(f"{name}{unread}: {trouble.what} {trouble.remedy}", limit)
