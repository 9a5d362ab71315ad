"""What `tallyweir check` prints: what was understood, then what is odd."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows.checking import Checked
from flows.intake.account import explain_table

if TYPE_CHECKING:
    from rich.console import Console

_MOST_FINDINGS = 40
"""More than this are counted, not shown: the workbook is the place to go through them."""


def print_checked(console: Console, checked: Checked) -> None:
    """Print the reading of each table, and the findings, worst first."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    for table in checked.recognised.tables:
        skipped = [row for row in table.skipped if row.counts]
        title = (f"{table.sheet or checked.name}: {table.protocol}, headings in row "
                 f"{table.header_row + 1}, {len(table.data_rows)} rows")
        if skipped:
            title += f", {len(skipped)} skipped"
        shown = Table(title=escape(title), title_justify="left", title_style="bold",
                      box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
        for heading in ("Your heading", "Read as", "Unit", "For example"):
            shown.add_column(heading, overflow="fold")
        for entry in explain_table(table, checked.workbook):
            shown.add_row(*(escape(text) for text in entry))
        console.print(shown)
        for row in skipped[:5]:
            console.print(escape(f"  row {row.row + 1} skipped: {row.why}"))
    for name, why in checked.recognised.left_aside:
        console.print(escape(f"Sheet {name} left aside: {why}"))
    if checked.trouble is not None:
        console.print(escape(f"\n{checked.trouble.sentence()}"))
    asked = [finding for finding in checked.findings if finding.effect.value != "note"]
    for finding in asked[:_MOST_FINDINGS]:
        where = f"{finding.sheet} {finding.cell}".strip() or f"row {finding.row}"
        says = f" ({finding.value})" if finding.value else ""
        line = f"{finding.effect.value:5} {where}{says}  {finding.message}"
        if finding.suggestion:
            line += f" Suggested: {finding.suggestion}."
        console.print(escape(line))
    if len(asked) > _MOST_FINDINGS:
        console.print(f"... and {len(asked) - _MOST_FINDINGS} more (--json lists all).")
    summary = checked.summary()
    console.print(
        f"\n{summary['rows']} rows: {summary['clean']} clean, {summary['masked']} with a value "
        f"left out, {summary['queried']} to confirm, {summary['held']} held.")
