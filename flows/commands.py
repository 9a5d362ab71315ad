"""What each command does. Heavy libraries are imported by the command that needs them."""

from __future__ import annotations

import datetime as dt
import json
import os
import sys
import time
from argparse import Namespace
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows import terminal
from flows.cli import COULD_NOT, DONE, NEEDS_PEOPLE
from flows.network_folder import load_network
from shared.problems import BadSettings, NoRunYet, Problem
from shared.settings import Network, lone_site

if TYPE_CHECKING:
    from rich.console import Console

    from flows.weekly import Outcome


def _today() -> dt.date:
    return dt.datetime.now(dt.UTC).astimezone().date()


def _console() -> Console:
    return terminal.console()


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
            if not directory.exists():
                directory.parent.mkdir(parents=True, exist_ok=True)
                directory.mkdir(mode=0o700)  # a network names people; its folder is nobody else's
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

    try:
        network, site = _network_and_site(options)
        with without_pandas():
            from flows.checking import check_file

            checked = check_file(options.file, network, site, options.as_of or _today())
    except Problem as problem:
        if options.json:
            from flows.checking import refused

            _print_json(refused(options.file.name, problem))
        raise
    if options.explain is not None:
        from flows.sheet_report import explain_cell

        sheet, _, cell = options.explain.rpartition("!")
        for sentence in explain_cell(checked, sheet or None, cell):
            sys.stdout.write(terminal.shown(sentence) + "\n")
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
    from flows.scheduling.heartbeat import kept
    from flows.watching.health import next_and_last, run_lines
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
        standing["schedule"] = next_and_last(options.directory, network)
        standing["schedule_kept"] = kept(options.directory)
        _print_json(standing)
    else:
        from flows.presenting import status_table

        console = _console()
        console.print(status_table(standing, span))
        for line in run_lines(options.directory, network):
            console.print(line, markup=False)
    waits = any(entry["held"] or entry["asked"] or entry["troubles"]
                for entry in standing["sites"].values())
    return NEEDS_PEOPLE if waits else DONE


def decide(options: Namespace) -> int:
    """Record a decision, or say what it would change."""
    from flows.answers.deciding import Wish
    from flows.answers.deciding import decide as carry_out
    from flows.presenting_decisions import decided_document, print_decided
    from shared.decisions import Action

    network = load_network(options.directory)
    chosen = (Action.CORRECT if options.correct is not None else
              next(action for action in Action if getattr(options, action.value) is True))
    wish = Wish(
        chosen, options.reason, options.who or network.coordinator or "coordinator",
        tuple(options.what), options.site, options.rule, options.field, options.taxon,
        options.life_stage, options.correct or None)
    done = carry_out(options.directory, network, wish, options.as_of or _today(),
                     dry_run=options.dry_run)
    if options.json:
        _print_json(decided_document(done, options.dry_run))
    else:
        print_decided(_console(), done, options.dry_run)
    return NEEDS_PEOPLE if done.refused else DONE


def history(options: Namespace) -> int:
    """The life of a row."""
    from flows.history import life_of
    from flows.presenting_decisions import print_life

    life = life_of(options.directory, load_network(options.directory), options.event)
    if options.json:
        _print_json(life.as_dict())
    else:
        print_life(_console(), life)
    return DONE


def rebuild(options: Namespace) -> int:
    """Make the warehouse again and compare it with the live one."""
    from flows.presenting_decisions import rebuilt_document, rebuilt_words
    from flows.rebuilding import rebuild as make_again

    network = load_network(options.directory)
    if options.json:
        made = make_again(options.directory, network, swap=options.swap)
        _print_json(rebuilt_document(made))
    else:
        console = _console()
        with _progress(console, f"Rebuilding {network.name}") as progress:
            made = make_again(options.directory, network, swap=options.swap, progress=progress)
        for line in rebuilt_words(made):
            console.print(line, soft_wrap=True)
    return DONE if made.equal else NEEDS_PEOPLE


def query(options: Namespace) -> int:
    """Ask the latest release."""
    from flows.answering import answer_question

    load_network(options.directory)
    answer_question(options.directory, options.sql, options.format, options.out, _console)
    return DONE


def release(options: Namespace) -> int:
    """Build a release from what is loaded, after closing or reopening a season if asked."""
    from flows.door import gate_of, gate_page_path, guard_the_door
    from flows.workplace import warehouse_of
    from warehouse.closing import close_season, reopen_season
    from warehouse.release import build_release
    from warehouse.standing import restate

    network = load_network(options.directory)
    as_of = options.as_of or _today()
    with warehouse_of(options.directory, network) as warehouse:
        if options.close is not None:
            close_season(options.directory, network, options.close, as_of)
        if options.reopen is not None:
            reopen_season(options.directory, options.reopen)
        made = build_release(warehouse, network, as_of, options.directory, guard_the_door,
                             gate_of(network, options.directory))
        restate(warehouse, network, release=made.version)
    console = _console()
    if made.new:
        console.print(f"Release   {made.path}", soft_wrap=True)
        console.print(f"Gate      {gate_page_path(options.directory, made.version)}",
                      soft_wrap=True)
    else:
        console.print(f"Nothing has changed since release {made.version}.")
    return DONE


def collect(options: Namespace) -> int:
    """Take what is new from every source."""
    done = _chore(options.directory, "collect")
    return NEEDS_PEOPLE if "in trouble" in done else DONE


def _chore(directory: Path, activity: str) -> str:
    """Do one chore now, and say how it went."""
    from flows.scheduling.chores import ChoreFailed, perform

    load_network(directory)
    done = perform(activity, directory, anew=True)
    assert done is not None  # done anew, whatever was done before
    if done.outcome == "failed":
        raise ChoreFailed(f"It failed. {done.told}", "")
    _console().print(done.told, markup=False)
    return done.told


def send(options: Namespace) -> int:
    """Send the week's letters, each once, or show them."""
    from flows.scheduling.chores import send_week, show_week
    from warehouse.standing import read_standing

    network = load_network(options.directory)
    standing = read_standing(options.directory)
    if standing is None:
        raise NoRunYet("No run has been done here yet, so there is nothing to send.",
                       f"Do `tallyweir run {options.directory}` first.", str(options.directory))
    as_of = options.as_of or dt.date.fromisoformat(standing.as_of)
    console = _console()
    if options.dry_run:
        for path in show_week(options.directory, network, as_of):
            console.print(str(path), soft_wrap=True)
        return DONE
    posted = send_week(options.directory, network, as_of)
    if network.operating.mail.set:
        console.print(f"Mail: {posted.sentence()}.", markup=False)
    else:
        console.print("No mail server is set in network.toml; the letters stand in "
                      f"{options.directory / 'outbox'}.")
    return NEEDS_PEOPLE if posted.refused or posted.waiting or posted.trouble else DONE


def work(options: Namespace) -> int:
    """Work for the network's runs until stopped, or hand out the work."""
    from flows.crew.serving import serve_scheduler
    from flows.crew.serving import work as work_on

    console = _console()

    def say(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    if options.scheduler:
        serve_scheduler(options.directory, say)
    else:
        work_on(options.directory, options.scratch, say)
    return DONE


def desk(options: Namespace) -> int:
    """Serve the pages, or make one private link."""
    from flows.desk.links import Role
    from flows.desk.serving import desk_of, first_link, serve

    made = desk_of(options.directory, options.address, options.host, options.port)
    console = _console()

    def say(text: str) -> None:
        console.print(text, markup=False, soft_wrap=True)

    if options.link is None:
        say(f"Coordinator's private link: {made.link_address(first_link(made))}")
        serve(made, options.host, options.port, say, options.behind_proxy)
        return DONE
    role = Role(options.link) if options.link in ("coordinator", "analyst") else Role.LEAD
    site = _known_site(made.network(), options.link) if role is Role.LEAD else ""
    say(made.link_address(made.book.make(
        role, site, options.label or options.link, "the command line", made.now())))
    return DONE


def schedule(options: Namespace) -> int:
    """Keep the schedules until told to stop, or hand them to a pool of workers."""
    from flows.scheduling.clock import rehearse
    from flows.scheduling.serving import hand_to_pool, keep

    network = load_network(options.directory)
    console = _console()
    if options.pool is not None:
        for name in hand_to_pool(options.directory, network, options.pool):
            console.print(f"Handed to the pool {options.pool}: {name}", soft_wrap=True)
        return DONE
    if options.rehearse is not None:
        rehearse(dt.datetime.combine(options.rehearse, dt.time()), options.speed)
    keep(options.directory, network, lambda text: console.print(text, soft_wrap=True))
    return DONE


def health(options: Namespace) -> int:
    """Whether all is well."""
    from dataclasses import asdict

    from flows.watching.health import BAD, GOOD, matters, next_and_last

    network = load_network(options.directory)
    found = matters(options.directory, network)
    if options.json:
        _print_json({"matters": [asdict(matter) for matter in found],
                     "schedule": next_and_last(options.directory, network)})
    else:
        console = _console()
        for matter in found:
            console.print(f"{matter.state:<6}{matter.name:<10}{matter.told}", markup=False,
                          soft_wrap=True)
    states = {matter.state for matter in found}
    return COULD_NOT if BAD in states else NEEDS_PEOPLE if states - {GOOD} else DONE


def backup(options: Namespace) -> int:
    """A backup of the whole folder."""
    from flows.keeping.backup import back_up
    from flows.scheduling.chores import backup_folder
    from flows.scheduling.clock import utc_now

    network = load_network(options.directory)
    made = back_up(options.directory, options.to or backup_folder(options.directory, network),
                   network.id, utc_now())
    _console().print(f"Backup    {made.path} ({made.files} files, {made.size / 1e6:.1f} MB, "
                     "looked at)", soft_wrap=True)
    made.of_sound_files()
    return DONE


def restore(options: Namespace) -> int:
    """Put a backup into a new folder."""
    from flows.keeping.backup import restore as put_back

    files = put_back(options.backup, options.directory)
    load_network(options.directory)
    console = _console()
    console.print(f"Restored  {files} files to {options.directory}", soft_wrap=True)
    console.print(f"Next      {_program()} health {options.directory}", soft_wrap=True)
    return DONE


def rules(options: Namespace) -> int:
    """The catalogue of rules."""
    from flows.catalogue_page import catalogue_document, print_catalogue

    if options.json:
        _print_json(catalogue_document())
    else:
        print_catalogue(_console())
    return DONE


def season(options: Namespace) -> int:
    """The reports of one season, from the latest release."""
    from flows.season import write_season

    network = load_network(options.directory)
    console = _console()
    with _progress(console, f"Season {options.season} of {network.name}") as progress:
        folder, account = write_season(
            options.directory, network, options.season, options.out, progress)
    totals = account.this.totals
    console.print(f"Season    {options.season}, {len(totals)} sites, "
                  f"{sum(total.counted for total in totals):,.0f} "
                  f"{account.target.life_stage}s counted, from release {account.version}")
    console.print(f"Report    {folder / 'season-report.html'} (and .pdf)", soft_wrap=True)
    console.print(f"Permit    {folder / 'permit.xlsx'} (and .csv)", soft_wrap=True)
    console.print(f"Sites     {folder / 'sites'}: one page each", soft_wrap=True)
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
