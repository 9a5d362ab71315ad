"""What `tallyweir check` prints: what was understood, then what is odd."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flows.checking import Checked
from flows.intake.account import explain_table
from shared.fields import FIELDS
from shared.settings import unit_spelling
from shared.taxa import TAXA

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
        for heading, field_id, unit, samples in explain_table(table, checked.workbook):
            meaning = FIELDS[field_id].title if field_id in FIELDS else "not recognised"
            column = next((c for c in table.columns if c.heading == heading
                           and c.field == field_id), None)
            if column is not None and column.taxon in TAXA:
                meaning += f": {TAXA[str(column.taxon)].vernacular}"
                meaning += f", {column.life_stage}" if column.life_stage else ""
            shown.add_row(escape(heading), escape(meaning),
                          unit_spelling(unit) if unit else "",
                          escape(", ".join(str(sample) for sample in samples)))
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
