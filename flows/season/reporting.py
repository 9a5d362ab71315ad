"""Writing a season's reports into a folder."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from flows.season.document import Document
from flows.season.drawing import as_csv, as_svg
from flows.season.network_report import network_report
from flows.season.permit_table import permit_csv, permit_workbook
from flows.season.printed_page import as_pdf
from flows.season.site_page import site_page
from flows.season.web_page import as_html
from shared.problems import BadSettings
from shared.settings import Network
from warehouse import durable
from warehouse.season.account import SeasonAccount, season_account


def write_season(
    network_dir: Path, network: Network, season: int, out: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[Path, SeasonAccount]:
    """Write all reports of ``season`` from the latest release; returns the folder.

    ``season-report.html`` and ``.pdf``, ``permit.xlsx`` and ``.csv``, ``sites/<site>.html`` and
    ``.pdf``, ``figures/<name>.svg`` and ``.csv``, ``tables/<name>.csv``. The same release gives
    the same bytes. A report of the same release is replaced; ``out`` is otherwise left as it
    is. Raises what :func:`warehouse.season.account.season_account` does, and
    :class:`BadSettings` when the folder cannot be written.
    """
    account = season_account(network_dir, network, season, progress=progress)
    folder = out or network_dir / "reports" / f"season-{season}"
    try:
        progress("the network's report")
        report = network_report(account)
        _write(folder / "season-report", report, account.as_of, one_page=False)
        durable.write_bytes(folder / "permit.xlsx", permit_workbook(account))
        durable.write_text(folder / "permit.csv", permit_csv(account))
        for entry in report.tables:
            durable.write_text(folder / "tables" / f"{entry.name}.csv",
                               as_csv(entry.header, entry.rows))
        _figures(folder, report)
        progress("a page for each site")
        for site in account.this.nights.sites:
            page = site_page(account, site)
            _write(folder / "sites" / site, page, account.as_of, one_page=True)
            _figures(folder, page)
    except OSError as error:
        raise BadSettings(
            f"The reports cannot be written ({error.strerror or error}).",
            "Name another folder with --out, or check that you may write there and that the "
            "disk has room.", str(folder)) from error
    return folder, account


def _write(stem: Path, document: Document, as_of: dt.date, *, one_page: bool) -> None:
    durable.write_text(stem.with_name(stem.name + ".html"), as_html(document))
    durable.write_bytes(stem.with_name(stem.name + ".pdf"),
                        as_pdf(document, as_of, one_page=one_page))


def _figures(folder: Path, document: Document) -> None:
    for figure in document.figures:
        durable.write_text(folder / "figures" / f"{figure.name}.svg", as_svg(figure, alone=True))
        durable.write_text(folder / "figures" / f"{figure.name}.csv", figure.as_csv())
