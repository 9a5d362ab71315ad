"""What the terminal shows: the coordinator's status table and the end of a run.

Everything reads the same without colour and fits 80 columns. rich is imported when
a table is built, so that commands which print JSON do not pay for it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.returns.wording import counted, day, plain

if TYPE_CHECKING:
    from rich.console import Group
    from rich.table import Table

Season = tuple[dt.date, dt.date]
"""First and last day of a season."""

_COUNTS = ("rows", "clean", "held", "asked")


def weeks_overdue(last_received: dt.date | None, as_of: dt.date, season_span: Season) -> int:
    """Whole weeks by which a site's sheet is late.

    A sheet is due a week after the last one, in the season: the first a week after
    it opens, the last a week after it closes. Before the season nothing is due, and
    after it the lateness stops growing.
    """
    opens, closes = season_span
    since = max(last_received, opens) if last_received is not None else opens
    if since >= closes and last_received is not None:
        return 0
    until = min(as_of, closes + dt.timedelta(days=7))
    # On the seventh day the sheet is due, from the eighth it is late.
    return max(0, ((until - since).days - 1) // 7)


def status_table(standing: Mapping[str, Any], season_span: Season | None = None) -> Table:
    """The coordinator's table: who sent, what loaded, what is held, who must be chased.

    ``standing`` is the document that ``status --json`` prints: ``as_of``, ``release``,
    ``outcome`` and ``sites`` (site id -> last_received, rows, clean, held, queried,
    masked, skipped, asked, troubles). Without ``season_span`` the document's own
    ``season`` (two ISO dates) is used, and without either nobody counts as late.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    as_of = dt.date.fromisoformat(str(standing["as_of"]))
    span = season_span or _season(standing)
    table = Table(
        title=Text(_headline(standing, as_of)), title_justify="left", title_style="bold",
        caption=Text("\n".join(status_words(standing, span))), caption_justify="left",
        caption_style="", box=box.SIMPLE_HEAD, show_footer=True, pad_edge=False,
        header_style="bold", footer_style="bold",
    )
    sites: Mapping[str, Mapping[str, Any]] = standing.get("sites", {})
    sums = {name: sum(_count(entry, name) for entry in sites.values()) for name in _COUNTS}
    late = {site: _late(entry, as_of, span) for site, entry in sites.items()}
    table.add_column("Site", Text(counted(len(sites), "site")), overflow="fold")
    sent = sum(entry.get("last_received") is not None for entry in sites.values())
    table.add_column("Last received", Text(f"{sent} sent"), no_wrap=True)
    for name in _COUNTS:
        table.add_column(name.capitalize(), Text(f"{sums[name]:,}"), justify="right",
                         no_wrap=True)
    table.add_column("Overdue", Text(f"{sum(weeks > 0 for weeks in late.values())} late"),
                     justify="right", no_wrap=True)
    for site, entry in sites.items():
        table.add_row(
            Text(plain(str(entry.get("name") or site), 60)),
            Text(str(entry.get("last_received") or "never")),
            *(Text(f"{_count(entry, name):,}") for name in _COUNTS),
            Text(counted(late[site], "week") if late[site] else "-"),
        )
    return table


_WAITING = 3
"""Questions open for weeks that are shown a site; ``status --json`` has them all."""


def status_words(standing: Mapping[str, Any], season_span: Season | None = None) -> list[str]:
    """What stands below the table: who to chase, and troubles, as sentences."""
    as_of = dt.date.fromisoformat(str(standing["as_of"]))
    lines = [plain(str(notice), 700) for notice in standing.get("notices", ())]
    sites: Mapping[str, Mapping[str, Any]] = standing.get("sites", {})
    late = sorted(
        ((weeks, site) for site, entry in sites.items()
         if (weeks := _late(entry, as_of, season_span))),
        key=lambda pair: (-pair[0], pair[1]),
    )
    if late:
        named = ", ".join(f"{plain(site, 60)} ({counted(weeks, 'week')})" for weeks, site in late)
        lines.append(f"To chase: {named}.")
    for site, entry in sites.items():
        lines += [f"{plain(site, 60)}: {plain(str(sentence))}"
                  for sentence in entry.get("troubles", ())]
    for site, entry in sites.items():
        long = list(entry.get("waiting", ()))
        lines += [f"{plain(site, 60)}: {plain(str(sentence))}" for sentence in long[:_WAITING]]
        if len(long) > _WAITING:
            lines.append(f"{plain(site, 60)}: and {len(long) - _WAITING} more for weeks.")
    return lines or ["No site is late, no file gave trouble."]


def run_summary(
    standing: Mapping[str, Any],
    network_dir: Path,
    *,
    release: Path | None,
    outbox: Path | None,
    returned: int = 0,
    program: str = "tallyweir",
) -> Group:
    """The last words of a run: what loaded, what is held, where it lies, what comes next.

    ``standing`` as for :func:`status_table`; ``release`` and ``outbox`` are None when
    the run made none; ``returned`` is the number of sites that got a message, ``program``
    what a person types to call us.
    """
    from rich.console import Group
    from rich.text import Text

    sites: Mapping[str, Mapping[str, Any]] = standing.get("sites", {})
    total = {name: sum(_count(entry, name) for entry in sites.values())
             for name in ("rows", "clean", "held", "queried", "masked", "asked")}
    loaded = total["rows"] - total["held"]
    doubts = [f"{total[name]:,} {words}" for name, words in
              (("queried", "to confirm"), ("masked", "with an odd value left out")) if total[name]]
    lines = [f"Loaded    {counted(loaded, 'row')} from {counted(len(sites), 'site')}"
             + (f" ({', '.join(doubts)})" if doubts else "")]
    if total["held"]:
        verb = "waits" if total["held"] == 1 else "wait"
        lines.append(f"Held      {counted(total['held'], 'row')} {verb} for an answer")
    else:
        lines.append("Held      nothing")
    lines.append(f"Release   {release}" if release is not None
                 else "Release   none made by this run")
    if outbox is not None and returned:
        lines.append(f"Outbox    {outbox} ({counted(returned, 'site')}, "
                     f"{counted(total['asked'], 'question')})")
    else:
        lines.append("Outbox    nothing new to tell any site")
    troubles = [f"{plain(site, 60)}: {plain(str(sentence))}" for site, entry in sites.items()
                for sentence in entry.get("troubles", ())]
    lines += [f"Trouble   {line}" for line in troubles]
    lines.append(f"Next      {program} status {_quoted(network_dir)}")
    question = '"SELECT * FROM season_totals LIMIT 5"'
    lines.append(f"          {program} query {_quoted(network_dir)} {question}")
    return Group(*(_hanging(line) for line in lines)) if lines else Group(Text(""))


def _hanging(line: str) -> Any:
    """``line`` with its first ten columns as a label and the rest wrapped beside them."""
    from rich.table import Table
    from rich.text import Text

    grid = Table.grid(padding=0)
    grid.add_column(width=10, no_wrap=True)
    grid.add_column(overflow="fold")
    grid.add_row(Text(line[:10].rstrip(), style="bold"), Text(line[10:]))
    return grid


def _quoted(path: Path) -> str:
    text = str(path)
    return f'"{text}"' if " " in text else text


def _headline(standing: Mapping[str, Any], as_of: dt.date) -> str:
    parts = [f"Standing on {day(as_of)}"]
    parts.append(f"release {plain(str(standing['release']), 40)}" if standing.get("release")
                 else "no release yet")
    if standing.get("outcome"):
        parts.append(plain(str(standing["outcome"]), 60))
    return ", ".join(parts)


def _season(standing: Mapping[str, Any]) -> Season | None:
    given = standing.get("season")
    if not isinstance(given, (list, tuple)) or len(given) != 2:
        return None
    return dt.date.fromisoformat(str(given[0])), dt.date.fromisoformat(str(given[1]))


def _late(entry: Mapping[str, Any], as_of: dt.date, span: Season | None) -> int:
    if span is None:
        return 0
    last = entry.get("last_received")
    # Some recorders keep the hour of receipt too; the day is what counts here.
    received = dt.date.fromisoformat(str(last)[:10]) if last else None
    return weeks_overdue(received, as_of, span)


def _count(entry: Mapping[str, Any], name: str) -> int:
    return int(entry.get(name) or 0)
