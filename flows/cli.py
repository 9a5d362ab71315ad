"""The command line. Each command's work is in :mod:`flows.commands`.

Exit codes: 0 done and nothing waits, 1 done and findings need people, 2 could not be
done (a message on stderr). ``--json`` prints one document on stdout and nothing else.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from flows.terminal import shown
from shared.problems import Problem

DONE, NEEDS_PEOPLE, COULD_NOT = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Command:
    """One command: its name, a line of help, its arguments and the function that does it."""

    name: str
    help: str
    arguments: Callable[[argparse.ArgumentParser], None]
    function: str
    """Name in :mod:`flows.commands`; looked up late so that help costs no imports."""


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(f'"{text}" is not a date such as 2026-04-19') from error


def _directory(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("directory", type=Path, metavar="DIR", help="the network's folder")


def _as_of(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--as-of", type=_date, metavar="DATE",
                        help="the day to judge by (default: today)")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def _demo(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--weeks", type=int, default=11, metavar="N",
                        help="weeks of this season that have been sent in (default: 11)")
    parser.add_argument("--seed", type=int, default=20260301, metavar="S",
                        help="same seed, same network (default: 20260301)")
    parser.add_argument("--run", action="store_true", help="then do the weekly run on it")
    parser.add_argument("--anew", action="store_true",
                        help="lay it out again over a demo that is there, changes and all")


def _run(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    _as_of(parser)


def _check(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="the spreadsheet")
    parser.add_argument("--network", type=Path, metavar="DIR", help="judge by this network")
    parser.add_argument("--site", metavar="SITE", help="as if this site had sent it")
    parser.add_argument("--explain", metavar="CELL",
                        help="tell how one value came to be, as in F41 or 'Sheet!F41'")
    _as_of(parser)
    _json(parser)


def _status(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    _as_of(parser)
    _json(parser)


def _query(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("sql", metavar="SQL", help="a SELECT over the latest release")
    parser.add_argument("--format", choices=("table", "csv", "json", "parquet"),
                        help="how to give the answer (default: table, or what FILE's name says)")
    parser.add_argument("--out", type=Path, metavar="FILE",
                        help="write the answer to this file")


def _release(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    _as_of(parser)
    seasons = parser.add_mutually_exclusive_group()
    seasons.add_argument("--close", type=int, metavar="YEAR",
                         help="first make this season final")
    seasons.add_argument("--reopen", type=int, metavar="YEAR",
                         help="first make this season provisional again")


def _season(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("season", type=int, metavar="YEAR", help="the season to report")
    parser.add_argument("--out", type=Path, metavar="FOLDER",
                        help="where to put the reports (default: DIR/reports/season-YEAR)")


def _template(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--site", required=True, metavar="SITE", help="for this site")
    parser.add_argument("--season", type=int, metavar="YEAR",
                        help="for this season (default: the one under way, or the next)")
    parser.add_argument("--per-page", choices=("day", "week"), default="day",
                        help="field form: one page a day, or a week")
    parser.add_argument("--paper", choices=("A4", "Letter"), default="A4")
    parser.add_argument("--out", type=Path, metavar="FOLDER",
                        help="where to put them (default: DIR/templates/SITE)")


def _schedule(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--pool", metavar="NAME",
                        help="hand the schedules to the workers of this pool, at the Prefect "
                             "server of PREFECT_API_URL, and end")
    parser.add_argument("--rehearse", type=_date, metavar="DATE",
                        help="let time run fast from this day on, on a copy of the folder")
    parser.add_argument("--speed", type=float, default=10_000.0, metavar="N",
                        help="how fast, in a rehearsal (default: 10000, a week a minute)")


def _work(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--scratch", type=Path, metavar="FOLDER",
                        help="where this worker keeps its copy of the lake, from run to run "
                             "(default: a passing folder)")
    parser.add_argument("--scheduler", action="store_true",
                        help="be the scheduler that hands out the work, not a worker")


def _desk(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--host", default="127.0.0.1", metavar="HOST",
                        help="address to listen at (default: this machine alone)")
    parser.add_argument("--port", type=int, default=8377, metavar="N")
    parser.add_argument("--address", default="", metavar="URL",
                        help="how browsers reach the desk, such as https://desk.example.org "
                             "(default: pages of [mail], or this machine)")
    parser.add_argument("--behind-proxy", action="store_true",
                        help="believe what a proxy on this machine says of who is asking")
    parser.add_argument("--link", metavar="WHO",
                        help="make a private link for a site (its id), coordinator or analyst, "
                             "print it and end")
    parser.add_argument("--label", default="", metavar="NAME",
                        help="whom the link is for (default: WHO)")


def _send(parser: argparse.ArgumentParser) -> None:
    _as_of_directory(parser)
    parser.add_argument("--dry-run", action="store_true",
                        help="write the letters as .eml files into outbox/dry-run, send nothing")


def _as_of_directory(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    _as_of(parser)


def _json_directory(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    _json(parser)


def _backup(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--to", type=Path, metavar="FOLDER",
                        help="where to put it (default: backup_to of network.toml, or "
                             "DIR/backups)")


def _restore(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("backup", type=Path, metavar="FILE", help="the backup")
    _directory(parser)


def _decide(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("what", nargs="*", metavar="WHAT",
                        help="ids of findings or causes, or an event; without any, the open "
                             "findings that the options pick")
    does = parser.add_mutually_exclusive_group(required=True)
    does.add_argument("--correct", metavar="VALUE", nargs="?", const="",
                      help="the value, as the site's sheet would write it; without VALUE, what "
                           "is suggested")
    does.add_argument("--confirm", action="store_true", help="it is right as it is written")
    does.add_argument("--withdraw", action="store_true", help="the row does not belong here")
    does.add_argument("--hold", action="store_true", help="keep the row out until released")
    does.add_argument("--release", action="store_true", help="let the row in, whatever holds it")
    parser.add_argument("--reason", required=True, metavar="TEXT", help="why, in a few words")
    parser.add_argument("--who", metavar="NAME", help="who decides (default: the coordinator)")
    parser.add_argument("--site", metavar="SITE")
    parser.add_argument("--rule", metavar="RULE")
    parser.add_argument("--field", metavar="FIELD")
    parser.add_argument("--taxon", metavar="TAXON", help="as the release has it: anguilla-rostrata")
    parser.add_argument("--life-stage", metavar="STAGE")
    parser.add_argument("--dry-run", action="store_true",
                        help="show what would change in the clean table and the season totals")
    _as_of(parser)
    _json(parser)


def _history(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("event", metavar="EVENT",
                        help="as in alder-creek:fyke:A:2026-03-14T0730")
    _json(parser)


def _rebuild(parser: argparse.ArgumentParser) -> None:
    _directory(parser)
    parser.add_argument("--swap", action="store_true",
                        help="put the rebuilt database in place if it is equal, or none is there")
    _json(parser)


COMMANDS: tuple[Command, ...] = (
    Command("demo", "lay out the Lantern Bay demo network", _demo, "demo"),
    Command("run", "the weekly run: receive, judge, load, release, return", _run, "run"),
    Command("check", "judge one spreadsheet, load nothing", _check, "check"),
    Command("status", "who has sent, what loaded, what is held", _status, "status"),
    Command("decide", "record a decision on findings, causes or an event", _decide, "decide"),
    Command("history", "the life of a row, from cell to release", _history, "history"),
    Command("rebuild", "make the warehouse again from raw bytes and decisions, and compare",
            _rebuild, "rebuild"),
    Command("query", "ask the latest release with SQL", _query, "query"),
    Command("release", "build a release from what is loaded; close a season", _release, "release"),
    Command("season", "the season's reports: timing, abundance, trend, permits", _season, "season"),
    Command("template", "a ready season sheet and a printable field form", _template, "template"),
    Command("desk", "the pages for site leads, the coordinator and analysts", _desk, "desk"),
    Command("collect", "take what is new from folders, addresses and the mailbox", _directory,
            "collect"),
    Command("send", "send the week's letters, each once", _send, "send"),
    Command("schedule", "keep the schedules: every week by itself", _schedule, "schedule"),
    Command("work", "do sites' work for the network's runs, beside other machines", _work,
            "work"),
    Command("health", "whether all is well, and what to do where it is not", _json_directory,
            "health"),
    Command("backup", "a backup of the whole folder, also while a run is on", _backup, "backup"),
    Command("restore", "put a backup into a new folder", _restore, "restore"),
    Command("rules", "the catalogue of rules", _json, "rules"),
)


def build_parser() -> argparse.ArgumentParser:
    """The parser of the whole command line."""
    parser = argparse.ArgumentParser(
        prog="tallyweir",
        description="Turns a dozen differently kept count sheets into one trustworthy record.",
        epilog="Exit codes: 0 done, 1 done and something needs people, 2 could not be done.",
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.arguments(
            commands.add_parser(command.name, help=command.help, description=command.help))
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. Problems become one message on stderr."""
    for stream in (sys.stdout, sys.stderr):
        # A Windows console may speak a code page that has no µ; never fail for a letter.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    options = build_parser().parse_args(arguments)
    from flows import commands

    command = next(item for item in COMMANDS if item.name == options.command)
    work: Callable[[argparse.Namespace], int] = getattr(commands, command.function)
    try:
        return work(options)
    except Problem as problem:
        sys.stderr.write(shown(f"tallyweir {options.command}: {problem}") + "\n")
        return COULD_NOT
    except KeyboardInterrupt:
        sys.stderr.write("\nStopped. Nothing is lost; run it again to go on.\n")
        return COULD_NOT
    except BrokenPipeError:
        return DONE
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        sys.stderr.write(shown(
            f"tallyweir {options.command}: {place}{error.strerror or error}. Check that the "
            "folder is there, that you may write in it and that the disk has room. Nothing that "
            "arrived is lost.") + "\n")
        return COULD_NOT
    except Exception as error:  # the last guard: no traceback reaches a user
        sys.stderr.write(shown(
            f"tallyweir {options.command}: something went wrong on our side "
            f"({type(error).__name__}: {error}). Nothing that arrived is lost. Please send this "
            "line to whoever keeps Tallyweir running; TALLYWEIR_TRACEBACK=1 shows more.") + "\n")
        import os

        if os.environ.get("TALLYWEIR_TRACEBACK"):
            raise
        return COULD_NOT


if __name__ == "__main__":
    sys.exit(main())
