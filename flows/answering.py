"""The analysts' door: a question to the latest release, and its answer in a form they can use."""

from __future__ import annotations

import csv
import io
import json
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shared.problems import BadSettings
from warehouse import durable
from warehouse.snapshot import Progress, query, query_to_parquet

if TYPE_CHECKING:
    from rich.console import Console

_FORMATS = {".csv": "csv", ".json": "json", ".parquet": "parquet"}
_PATIENCE = 2.0
"""Seconds before a person is told how far a query is."""


def answer_question(
    network_dir: Path, sql: str, form: str | None, out: Path | None,
    console: Callable[[], Console],
) -> None:
    """Answer ``sql``: as ``form`` (table, csv, json, parquet), to ``out`` or standard output.

    Without a form the name of ``out`` says it, else it is a table. Raises
    :class:`BadSettings` when the two do not go together.
    """
    named = _FORMATS.get(out.suffix.lower()) if out is not None else "table"
    form = form or named
    if form is None:
        raise BadSettings(f"The name {out} does not say in what form the answer is to be.",
                          "End it in .csv, .json or .parquet, or add --format.")
    if out is not None and form == "table":
        raise BadSettings("A table is for reading here, not for a file.",
                          "Use --format csv, json or parquet with --out.")
    if form == "parquet":
        if out is None:
            raise BadSettings("Parquet needs a file.", "Add --out FILE.")
        rows = query_to_parquet(network_dir, sql, out, _teller())
        console().print(f"{rows} rows in {out}", soft_wrap=True)
        return
    answer = query(network_dir, sql, _teller())
    if form == "table":
        _print_rows(answer.columns, answer.rows, console())
        return
    if form == "json":
        text = json.dumps([dict(zip(answer.columns, map(_plain, row), strict=True))
                           for row in answer.rows], ensure_ascii=False, indent=2) + "\n"
    else:
        text = _as_csv(answer.columns, answer.rows)
    if out is None:
        sys.stdout.write(text)
    else:
        durable.write_text(out, text)
        console().print(f"{len(answer.rows)} rows in {out}", soft_wrap=True)


def _teller() -> Progress | None:
    """Say on stderr how far a long query is, where a person is looking."""
    if not sys.stderr.isatty():
        return None
    start = time.monotonic()

    def tell(share: float) -> None:
        if time.monotonic() - start >= _PATIENCE:
            sys.stderr.write(f"\r{share:4.0%} done ")
            sys.stderr.flush()

    return tell


def _as_csv(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue()


_ABREAST = 10
"""More columns than this are unreadable side by side: then each row is a list of its own."""


def _print_rows(
    columns: Sequence[str], rows: Sequence[Sequence[Any]], console: Console
) -> None:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    texts = [["" if value is None else escape(str(value)) for value in row] for row in rows]
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    if len(columns) <= _ABREAST:
        for name in columns:
            table.add_column(escape(name), overflow="fold")
        for row in texts:
            table.add_row(*row)
        console.print(table)
        return
    for number, row in enumerate(texts, start=1):
        table = Table(box=None, show_header=False, pad_edge=False,
                      title=f"Row {number}", title_justify="left")
        table.add_column(no_wrap=True, style="bold")
        table.add_column(overflow="fold")
        for name, text in zip(columns, row, strict=True):
            table.add_row(escape(name), text)
        console.print(table)


def _plain(value: Any) -> Any:
    return value if value is None or isinstance(value, (int, float, str, bool)) else str(value)
