"""The two kinds of work done apart: going through a sheet, and answering a question in SQL."""

from __future__ import annotations

import datetime as dt
import threading
from pathlib import Path
from typing import Any

from flows.quick_start import without_pandas

with without_pandas():
    import duckdb
    import rapidfuzz  # noqa: F401, used deep within; each process would load it anew

    from flows.checking import Checked, check_bytes
    from flows.desk.asks import ask_document
    from flows.desk.rows_around import Around, rows_around
    from flows.intake.account import explain_table
    from flows.intake.reading import cell_text
    from flows.network_folder import load_network
    from flows.returns.gathering import gather, notes_among
    from flows.returns.wording import plain
    from shared.findings import Finding
    from shared.problems import Problem
    from shared.sheets import TURNED
    from warehouse.snapshot import SNAPSHOT_NAME

_MOST_ASKS = 60
_DAYS = frozenset({"local_date", "check_date", "set_date"})


def go_through(path: str, name: str, network_dir: str, site: str, as_of: str) -> dict[str, Any]:
    """What a sheet says and what is odd in it, as ``tallyweir check`` finds it.

    Raises a :class:`~shared.problems.Problem` when it cannot be read or recognised.
    """
    network = load_network(Path(network_dir))
    with without_pandas():
        checked = check_bytes(Path(path).read_bytes(), name, network, site,
                              dt.date.fromisoformat(as_of))
    asks = gather(checked.findings)
    look = _look(checked)
    return {
        "name": name, "summary": checked.summary(),
        "trouble": checked.trouble.sentence() if checked.trouble else "",
        "tables": [
            {"sheet": table.sheet.removesuffix(f", {TURNED}"), "protocol": table.protocol,
             "rows": len(table.data_rows),
             "columns": [[plain(text, 60) for text in entry]
                         for entry in explain_table(table, checked.workbook)],
             "aside": [plain(column.heading, 60) for column in table.columns
                       if column.field is None and column.heading],
             "notes": [plain(text, 300) for text in table.notes]}
            for table in checked.recognised.tables],
        "asks": [ask_document(ask, look) for ask in asks[:_MOST_ASKS]],
        "more": max(0, len(asks) - _MOST_ASKS),
        "notes": notes_among(checked.findings),
    }


def _look(checked: Checked) -> Any:
    sheets = {sheet.name: sheet for sheet in checked.workbook.sheets}
    heads: dict[str, tuple[int, list[int]]] = {}
    for table in checked.recognised.tables:
        heads[table.sheet] = (table.header_row + 1, [
            column.index for column in table.columns if column.field in _DAYS])

    def look(finding: Finding) -> Around | None:
        sheet = sheets.get(finding.sheet)
        if sheet is None or finding.row is None or finding.sheet.endswith(TURNED):
            return None

        def cells(number: int) -> list[str]:
            if not 1 <= number <= len(sheet.rows):
                return []
            return [cell_text(cell) for cell in sheet.rows[number - 1]]

        head, dates = heads.get(finding.sheet, (1, []))
        return rows_around(cells, head, finding.row, finding.cell, dates)

    return look


class NotAnswered(Problem, ValueError):
    """The SQL was not answered."""

    code = "query"


_SEALED: dict[str, str | bool | int | float | list[str]] = {
    # The snapshot, and nothing else of the machine.
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "temp_directory": "",
    "threads": 1,
    "memory_limit": "400MB",
}
_MAY = ("SELECT", "EXPLAIN")
_LONGEST_CELL = 500


def answer_sql(release: str, sql: str, seconds: float, most_rows: int) -> dict[str, Any]:
    """At most ``most_rows`` rows of one SELECT over the release's snapshot, every cell as text.

    Raises :class:`NotAnswered` for anything but a SELECT, and when time is up.
    """
    with without_pandas():
        connection = duckdb.connect(str(Path(release) / SNAPSHOT_NAME), read_only=True,
                                    config=_SEALED)
    connection.execute("SET lock_configuration = true")
    timer = threading.Timer(seconds, connection.interrupt)
    try:
        statements = connection.extract_statements(sql)
        if len(statements) != 1 or statements[0].type.name not in _MAY:
            raise NotAnswered("Only one question at a time, and only a SELECT.",
                              "The release is never altered, here or anywhere.")
        timer.start()
        cursor = connection.execute(statements[0])
        columns = [(str(item[0]), str(item[1])) for item in cursor.description or ()]
        rows = cursor.fetchmany(most_rows + 1)
    except duckdb.InterruptException as error:
        raise NotAnswered(f"It took longer than {seconds:g} seconds and was stopped.",
                          "Ask for less, or use the release's files in your own program."
                          ) from error
    except duckdb.PermissionException as error:
        raise NotAnswered("A question may read the release and nothing else.",
                          "Other files are for your own program.") from error
    except duckdb.Error as error:
        first = next((line for line in str(error).splitlines() if line.strip()), "")
        raise NotAnswered(f"It cannot be answered: {plain(first, 300)}",
                          "The tables and their columns are listed in the dictionary.") from error
    finally:
        timer.cancel()
        connection.close()
    return {"columns": columns, "more": len(rows) > most_rows,
            "rows": [[_cell(value) for value in row] for row in rows[:most_rows]]}


def _cell(value: object) -> str | None:
    if value is None:
        return None
    text = f"{value:g}" if isinstance(value, float) and value.is_integer() else str(value)
    return text if len(text) <= _LONGEST_CELL else text[: _LONGEST_CELL - 1] + "…"
