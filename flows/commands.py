"""What each command does. Heavy libraries are imported by the command that needs them."""

from __future__ import annotations

import datetime as dt
import json
import os
import sys
import time
from argparse import Namespace
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.cli import DONE, NEEDS_PEOPLE
from flows.network_folder import load_network
from shared.problems import BadSettings, NoRunYet
from shared.settings import Network, lone_site

if TYPE_CHECKING:
    from rich.console import Console

    from flows.weekly import Outcome


def _today() -> dt.date:
    return dt.datetime.now(dt.UTC).astimezone().date()


def _console() -> Console:
    from rich.console import Console

    return Console(highlight=False, soft_wrap=False)


def _print_json(document: Any) -> None:
    sys.stdout.write(json.dumps(document, ensure_ascii=False, indent=2) + "\n")


def _program() -> str:
    """What a person types to call us: under `uv run`, our name alone is not on their path."""
    uv = os.environ.get("UV")
    if not uv:
        return "tallyweir"
    here, tool = Path.cwd(), Path(uv)
    return f"{tool.relative_to(here) if tool.is_relative_to(here) else tool.name} run tallyweir"


@contextmanager
def _progress(console: Console, what: str) -> Iterator[Any]:
    """A line that says what is going on: animated on a terminal, one line a stage elsewhere."""
    start = time.perf_counter()
    if console.is_terminal:
        with console.status(what) as status:
            yield lambda text: status.update(f"{what}: {text}")
    else:
        said: set[str] = set()

        def say(text: str) -> None:
            stage = text.split(":")[0]
            if stage not in said:
                said.add(stage)
                console.print(f"{time.perf_counter() - start:5.1f} s  {stage}")

        yield say


def demo(options: Namespace) -> int:
    """Lay out the demo network, and with --run do the weekly run on it."""
    from fixtures.lantern_bay import CURRENT_SEASON, opening
    from fixtures.laying_out import lay_out

    console = _console()
    directory: Path = options.directory
    if not 1 <= options.weeks <= 20:
        raise BadSettings("--weeks is from 1 to 20.", "The demo's season is twenty weeks long.")
    marker = directory / "network.toml"
    if directory.exists() and any(directory.iterdir()) and not (
        marker.exists() and 'id = "lantern-bay"' in marker.read_text(encoding="utf-8")
    ):
        raise BadSettings(
            f"{directory} is not empty and holds something other than the demo.",
            "Name a new folder.")
    as_of = opening(CURRENT_SEASON) + dt.timedelta(weeks=options.weeks)
    if marker.exists() and not options.anew:
        console.print(
            f"The demo is in {directory} already and stays as it is (--anew lays it out again).")
    else:
        with _progress(console, "Laying out the Lantern Bay demo"):
            layout = lay_out(directory, seed=options.seed, weeks=options.weeks)
        console.print(
            f"Laid out the Lantern Bay demo in {directory}: {len(layout.sites)} sites, four "
            f"seasons, {len(layout.errors)} seeded slips of the pen (kept in "
            f"{directory / 'truth'}).")
    if not options.run:
        console.print(f"Next      {_program()} run {directory} --as-of {as_of}")
        return DONE
    _weekly(directory, as_of, console)
    # The demo has done what was asked of it; that its rows need people is its point.
    return DONE


def run(options: Namespace) -> int:
    """The weekly run."""
    outcome = _weekly(options.directory, options.as_of or _today(), _console())
    return NEEDS_PEOPLE if outcome.needs_people else DONE


def _weekly(directory: Path, as_of: dt.date, console: Console) -> Outcome:
    from flows.orchestration import embed, weekly_run
    from flows.presenting import run_summary, status_table

    network = load_network(directory)
    embed(directory)
    with _progress(console, f"Weekly run of {network.name} as of {as_of}") as progress:
        outcome = weekly_run(directory, network, as_of, progress)
    console.print(status_table(outcome.standing, network.season_span(network.season_of(as_of))))
    returned = sum(site.returned is not None for site in outcome.sites.values())
    release = outcome.release
    console.print(run_summary(
        outcome.standing, directory,
        release=release.path if release is not None and release.new else None,
        outbox=directory / "outbox", returned=returned, program=_program()))
    return outcome


def check(options: Namespace) -> int:
    """Judge one spreadsheet."""
    from flows.quick_start import without_pandas

    network, site = _network_and_site(options)
    with without_pandas():
        from flows.checking import check_file

        checked = check_file(options.file, network, site, options.as_of or _today())
    if options.explain is not None:
        from flows.sheet_report import explain_cell

        sheet, _, cell = options.explain.rpartition("!")
        for sentence in explain_cell(checked, sheet or None, cell):
            sys.stdout.write(sentence + "\n")
        return DONE
    if options.json:
        _print_json(checked.as_contract())
    else:
        from flows.sheet_report import print_checked

        print_checked(_console(), checked)
    waits = any(finding.effect.value != "note" for finding in checked.findings)
    return NEEDS_PEOPLE if waits or checked.trouble is not None else DONE


def _network_and_site(options: Namespace) -> tuple[Network, str]:
    if options.network is None:
        if options.site is not None:
            raise BadSettings("--site needs --network.", "Name the network's folder too.")
        return lone_site(), "site"
    network = load_network(options.network)
    site = options.site
    if site is None:
        # A sheet that lies in a site's inbox says itself whose it is.
        inbox = (options.network / "inbox").resolve()
        path = options.file.resolve()
        site = path.relative_to(inbox).parts[0] if path.is_relative_to(inbox) else None
    return network, _known_site(network, site)


def _known_site(network: Network, site: str | None) -> str:
    if site is None or site not in network.sites:
        raise BadSettings(
            "Which site is it?" if site is None else f'There is no site "{site}".',
            f"Add --site with one of: {', '.join(network.sites)}.")
    return site


def status(options: Namespace) -> int:
    """Who has sent, what loaded, what is held."""
    from warehouse.standing import read_standing

    network = load_network(options.directory)
    found = read_standing(options.directory)
    if found is None:
        raise NoRunYet(
            "No run has been done here yet.",
            f"Do `tallyweir run {options.directory}` first.", str(options.directory))
    standing = found.as_dict()
    if options.as_of is not None:
        standing["as_of"] = options.as_of.isoformat()
    as_of = dt.date.fromisoformat(standing["as_of"])
    span = network.season_span(network.season_of(as_of))
    if options.json:
        from flows.presenting import weeks_overdue

        for entry in standing["sites"].values():
            last = entry["last_received"]
            entry["weeks_overdue"] = weeks_overdue(
                dt.date.fromisoformat(last) if last else None, as_of, span)
        _print_json(standing)
    else:
        from flows.presenting import status_table

        _console().print(status_table(standing, span))
    waits = any(entry["held"] or entry["asked"] or entry["troubles"]
                for entry in standing["sites"].values())
    return NEEDS_PEOPLE if waits else DONE


def query(options: Namespace) -> int:
    """Ask the latest release."""
    from warehouse.snapshot import query as ask

    load_network(options.directory)
    answer = ask(options.directory, options.sql)
    if options.format == "json":
        _print_json([dict(zip(answer.columns, map(_plain, row), strict=True))
                     for row in answer.rows])
    elif options.format == "csv":
        import csv

        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(answer.columns)
        writer.writerows(answer.rows)
    else:
        _print_rows(answer.columns, answer.rows)
    return DONE


_ABREAST = 10
"""More columns than this are unreadable side by side: then each row is a list of its own."""


def _print_rows(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    console = _console()
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


def release(options: Namespace) -> int:
    """Build a release from what is loaded."""
    from flows.door import guard_the_door
    from warehouse.release import build_release
    from warehouse.store import Warehouse

    network = load_network(options.directory)
    with Warehouse.open(options.directory) as warehouse:
        made = build_release(warehouse, network, options.as_of or _today(), options.directory,
                             guard_the_door)
    console = _console()
    if made.new:
        console.print(f"Release   {made.path}")
    else:
        console.print(f"Nothing has changed since release {made.version}.")
    return DONE


def rules(options: Namespace) -> int:
    """The catalogue of rules."""
    from flows.catalogue_page import catalogue_document, print_catalogue

    if options.json:
        _print_json(catalogue_document())
    else:
        print_catalogue(_console())
    return DONE


def template(options: Namespace) -> int:
    """A ready season sheet and a printable field form for one site."""
    from flows.blank_sheets import hand_out

    network = load_network(options.directory)
    site = network.sites[_known_site(network, options.site)]
    season = options.season or _coming_season(network, _today())
    folder = options.out or options.directory / "templates" / site.id
    console = _console()
    for path in hand_out(folder, site, network, season, per_page=options.per_page,
                         paper=options.paper):
        console.print(str(path), soft_wrap=True)
    return DONE


def _coming_season(network: Network, today: dt.date) -> int:
    """The season under way or ahead: nobody wants a blank sheet for one that is over."""
    season = network.season_of(today)
    return season if today <= network.season_span(season)[1] else season + 1
