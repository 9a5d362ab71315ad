"""Into the outbox: the letters of a week, of a reminder, of an answer, each once a period."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Iterable
from pathlib import Path

from flows.collecting.mailbox import Answerable
from flows.presenting import weeks_overdue
from flows.returns.message import WORKBOOK_NAME
from flows.returns.outbox import week_name
from flows.returns.wording import counted, day, plain
from flows.sending.envelope import Words, message_id, seal
from shared.operating import ONE_LINE, addresses
from shared.settings import Network, Site
from warehouse import durable, ledger, letters, record
from warehouse.standing import SiteStanding, Standing
from warehouse.store import Warehouse

COORDINATOR = "_coordinator"
"""Folder of the outbox with what goes to the coordinator."""

DRY_RUN = "dry-run"

_QUIET_SHEET_DAYS = 6


class Outbox:
    """Where letters go: the table from which they are sent, or files when they are not.

    ``dry_run``: .eml files in ``outbox/dry-run``, and nothing else changes. Without a mail
    server, letters stand as text in the outbox. ``now`` is naive UTC.
    """

    def __init__(
        self, warehouse: Warehouse, network: Network, now: dt.datetime, dry_run: bool = False
    ) -> None:
        # What went out stands in the record, which may know more than the database.
        record.catch_up(warehouse)
        self.warehouse, self.network, self.now, self.dry_run = warehouse, network, now, dry_run
        self.put_out: list[Path] = []
        self.queued = 0
        self.without_address: list[str] = []
        """Sites that have something to be told and no address to tell it to."""

    def put(self, kind: str, site: str, to: str, period: str, words: Words,
            in_reply_to: str = "", stands: bool = False) -> None:
        """One letter to each address in ``to``; one that has gone already stays as it went.

        ``stands``: its words lie in the outbox's folder of that week already.
        """
        mail = self.network.operating.mail
        known = addresses(to)
        if not known and (mail.set or self.dry_run):
            self.without_address.append(site or "the coordinator")
        for address in known:
            id_ = message_id(mail, kind, site, address, period)
            content = seal(words, mail, address, id_, self.now, in_reply_to)
            if self.dry_run:
                place = (self.warehouse.network_dir / "outbox" / DRY_RUN /
                         f"{site or COORDINATOR}-{kind}-{_in_a_name(period)}"
                         f"-{_in_a_name(address)}.eml")
                durable.write_bytes(place, content)
                self.put_out.append(place)
            elif mail.set:
                self.queued += letters.queue(
                    self.warehouse, kind, site, address, period, words.subject, id_, content,
                    self.now)
        if not mail.set and not self.dry_run and not stands:
            home = self.warehouse.network_dir / "outbox" / (site or COORDINATOR) / "letters"
            place = home / f"{_in_a_name(period)}-{kind}.txt"
            durable.write_text(place, f"{words.subject}\n\n{words.text}")
            self.put_out.append(place)


def _in_a_name(text: str) -> str:
    return re.sub(r"[^\w.-]+", "-", text)[:80]


def write_week(outbox: Outbox, standing: Standing, as_of: dt.date) -> None:
    """The letters of the week of ``as_of`` to the sites, from what the run left in the outbox."""
    period = week_name(as_of)
    for entry in standing.sites:
        site = outbox.network.sites.get(entry.site)
        if site is None:
            continue
        words = _week_words(outbox, site, entry, period, as_of)
        if words is not None:
            outbox.put("week", site.id, site.contact, period, words,
                       stands=words.attached is not None or bool(words.html))


def _week_words(
    outbox: Outbox, site: Site, entry: SiteStanding, period: str, as_of: dt.date
) -> Words | None:
    last = ledger.last_return(outbox.warehouse, site.id)
    news = last is not None and week_name(last[1]) == period
    if news and (entry.asked or entry.troubles):
        assert last is not None
        return _from_folder(outbox.warehouse.network_dir / last[2])
    if outbox.network.operating.quiet(site.id) != ONE_LINE or entry.last_received is None:
        return None
    name = plain(site.name, 60)
    if (as_of - dt.date.fromisoformat(entry.last_received)).days > _QUIET_SHEET_DAYS:
        said = f"no new sheet came from {name} this week"
    else:
        said = f"the sheet of {name} is in, {counted(entry.rows, 'row')} in all"
    open_ = (f"; {counted(entry.asked, 'question')} from before "
             f"{'waits' if entry.asked == 1 else 'wait'} for an answer"
             if entry.asked else ", and there is nothing to ask")
    line = f"As of {day(as_of)}, {said}{open_}."
    return Words(f"{name}: a quiet week ({plain(outbox.network.name, 60)})", line + "\n")


def _from_folder(folder: Path) -> Words | None:
    try:
        page = (folder / "message.html").read_text(encoding="utf-8")
        text = (folder / "message.txt").read_text(encoding="utf-8")
    except OSError:
        return None  # somebody has taken it away to send it by hand
    title = re.search(r"<title>(.*?)</title>", page, re.DOTALL)
    workbook = folder / WORKBOOK_NAME
    return Words(html.unescape(title[1]).strip() if title else "About your sheet", text, page,
                 workbook if workbook.is_file() else None)


def write_answers(outbox: Outbox, found: Iterable[Answerable]) -> None:
    """Tell senders of mails in which nothing was of use."""
    for item in found:
        name = plain(outbox.network.sites[item.site].name, 60)
        outbox.put("answer", item.site, item.address, item.message_id, Words(
            f"Re: {item.subject or 'your mail'}",
            f"Thank you for your mail. No sheet for {name} could be taken from it: "
            f"{plain(item.why, 300)}.\n\nPlease send it once more with the spreadsheet itself "
            "attached (.xlsx, .xls, .ods or .csv). Nothing else that you sent is affected.\n"),
            in_reply_to=item.message_id)


def write_reminders(outbox: Outbox, standing: Standing, today: dt.date, due: dt.date) -> None:
    """Before the run: a line to sites whose sheet of this week, or whose answer, is missing."""
    if not outbox.network.in_season(today):
        return
    for entry, site in _willing(outbox, standing):
        last = entry.last_received
        missing = last is None or (today - dt.date.fromisoformat(last)).days >= _QUIET_SHEET_DAYS
        if not missing and not entry.asked:
            continue
        said = []
        if missing:
            said.append(f"Your sheet of this week is not here yet; it is gathered on {day(due)}. "
                        "If it is under way, there is nothing to do.")
        if entry.asked:
            said.append(f"{counted(entry.asked, 'question')} about your sheet "
                        f"{'waits' if entry.asked == 1 else 'wait'} for an answer: mend the "
                        "cells in your own sheet, or fill in the workbook you were sent.")
        outbox.put("remind", site.id, site.contact, week_name(today), Words(
            f"{plain(site.name, 60)}: a reminder ({plain(outbox.network.name, 60)})",
            "\n\n".join(said) + "\n"))


def write_overdue(outbox: Outbox, standing: Standing, today: dt.date) -> None:
    """A line to sites whose sheet is late."""
    network = outbox.network
    span = network.season_span(network.season_of(today))
    if not span[0] <= today <= span[1] + dt.timedelta(days=14):
        return
    for entry, site in _willing(outbox, standing):
        last = dt.date.fromisoformat(entry.last_received) if entry.last_received else None
        late = weeks_overdue(last, today, span)
        if late:
            since = f"since {day(last)}" if last else "this season"
            outbox.put("overdue", site.id, site.contact, week_name(today), Words(
                f"{plain(site.name, 60)}: we have had no sheet for {counted(late, 'week')}",
                f"No sheet of {plain(site.name, 60)} has come {since}. Please send it as it "
                "stands, also when it is unfinished or when the net was not set: days without "
                "fishing count too. If the count has ended for the season, reply and say so.\n"))


def _willing(outbox: Outbox, standing: Standing) -> Iterable[tuple[SiteStanding, Site]]:
    for entry in standing.sites:
        site = outbox.network.sites.get(entry.site)
        if site is not None and outbox.network.operating.reminders.get(site.id, True):
            yield entry, site
