"""The analyst's pages: releases at addresses that stay, the dictionary, changes, SQL."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from flows.desk.cells import as_csv
from flows.desk.links import Role
from flows.desk.visits import Page, Visit
from shared.problems import Problem
from warehouse.folder import releases_folder
from warehouse.snapshot import latest_version

_VERSION = re.compile(r"\d{4}\.\d{1,2}\.\d{1,4}")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,80}")
LATEST = "latest"
SECONDS = 10.0
MOST_ROWS = 1_000
_LONGEST_SQL = 10_000
_EXAMPLE = "SELECT * FROM season_totals ORDER BY season DESC LIMIT 50"


def releases(visit: Visit) -> Response:
    """Every release, newest first."""
    folder = releases_folder(visit.desk.network_dir)
    versions = sorted((path.name for path in folder.glob("*") if _VERSION.fullmatch(path.name)),
                      key=lambda name: [int(part) for part in name.split(".")], reverse=True)
    return visit.page("releases.html", versions=versions,
                      latest=latest_version(visit.desk.network_dir))


def one_release(visit: Visit) -> Response:
    """A release: its files and what changed by it."""
    folder = _folder(visit)
    try:
        manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        manifest = {}
    listed = [{"name": path.name, "size": path.stat().st_size}
              for path in sorted(folder.iterdir()) if _is_published(path)]
    return visit.page("one_release.html", version=folder.name, files=listed, manifest=manifest,
                      changes=_text(folder / "CHANGES.md"))


def dictionary(visit: Visit) -> Response:
    """What every column of a release means."""
    folder = _folder(visit)
    try:
        with (folder / "dictionary.csv").open(encoding="utf-8", newline="") as handle:
            rows = list(csv.DictReader(handle))
    except OSError as error:
        raise HTTPException(404) from error
    return visit.page("dictionary.html", version=folder.name, rows=rows,
                      columns=list(rows[0]) if rows else [])


def download(visit: Visit) -> Response:
    """A file of a release, as it was published; never shown inline."""
    folder = _folder(visit)
    path = folder / visit.request.path_params["name"]
    if _NAME.fullmatch(path.name) is None or path.parent != folder or not _is_published(path):
        raise HTTPException(404)
    if visit.request.path_params["version"] == LATEST:
        return RedirectResponse(f"/data/{folder.name}/files/{path.name}", 307)
    return FileResponse(path, filename=f"{folder.name}-{path.name}",
                        media_type="application/octet-stream",
                        content_disposition_type="attachment")


def ask(visit: Visit) -> Response:
    """The page to ask in SQL."""
    return _ask_page(visit, _EXAMPLE, None, "")


def answer(visit: Visit) -> Response:
    """A question in SQL over the latest release, answered apart."""
    from flows.desk.apart_work import answer_sql

    sql = visit.said("sql")[:_LONGEST_SQL]
    version = latest_version(visit.desk.network_dir)
    if version is None:
        return _ask_page(visit, sql, None, "There is no release yet.")
    visit.note("asked in SQL", sql=sql[:500], release=version)
    try:
        found = visit.desk.asking.do(
            answer_sql, str(releases_folder(visit.desk.network_dir) / version), sql, SECONDS,
            MOST_ROWS)
    except Problem as problem:
        return _ask_page(visit, sql, None, f"{problem.what} {problem.remedy}")
    if visit.said("form") == "csv":
        return Response(
            as_csv([name for name, _ in found["columns"]], found["rows"]),
            media_type="text/csv; charset=utf-8",
            headers={"content-disposition": f'attachment; filename="answer-{version}.csv"'})
    return _ask_page(visit, sql, found, "")


def _ask_page(visit: Visit, sql: str, found: dict[str, Any] | None, trouble: str) -> Response:
    return visit.page("ask.html", 400 if trouble else 200, sql=sql, found=found, trouble=trouble,
                      seconds=SECONDS, most=MOST_ROWS,
                      version=latest_version(visit.desk.network_dir))


_WHO = frozenset({Role.ANALYST, Role.COORDINATOR})
PAGES = (
    Page("/data", "GET", _WHO, releases, "look"),
    Page("/data/ask", "GET", _WHO, ask, "look"),
    Page("/data/ask", "POST", _WHO, answer, "ask", slow=True),
    Page("/data/{version}", "GET", _WHO, one_release, "look"),
    Page("/data/{version}/dictionary", "GET", _WHO, dictionary, "look"),
    Page("/data/{version}/files/{name}", "GET", _WHO, download, "look"),
)


def _folder(visit: Visit) -> Path:
    """The folder of the release that the address names."""
    version = str(visit.request.path_params["version"])
    if version == LATEST:
        version = latest_version(visit.desk.network_dir) or ""
    folder = releases_folder(visit.desk.network_dir) / version
    if _VERSION.fullmatch(version) is None or not folder.is_dir():
        raise HTTPException(404)
    return folder


def _is_published(path: Path) -> bool:
    return path.is_file() and not path.is_symlink() and not path.name.startswith(".")


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError:
        return ""
