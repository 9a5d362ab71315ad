"""The coordinator's Monday message: the week on one page."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from flows.presenting import weeks_overdue
from flows.returns.outbox import week_name
from flows.returns.wording import counted, day, plain
from flows.sending.envelope import Words
from flows.sending.writing import COORDINATOR, Outbox
from shared.settings import Network
from shared.taxa import TAXA
from warehouse import arrivals, durable, letters
from warehouse.folder import latest_path, releases_folder
from warehouse.serious import Serious, not_yet_told, note_told, serious
from warehouse.standing import Standing

_MOST_SERIOUS = 12
_MOST_LINES = 25


@dataclass(frozen=True, slots=True)
class SiteLine:
    """One site in the table."""

    name: str
    last: str
    rows: int
    held: int
    asked: int
    late: str
    sent_this_week: bool


@dataclass(frozen=True, slots=True)
class Monday:
    """What the message says, before any markup. Empty parts are left out."""

    subject: str
    headline: str
    serious: tuple[str, ...]
    sites: tuple[SiteLine, ...]
    chase: tuple[str, ...]
    troubles: tuple[str, ...]
    mail: tuple[str, ...]
    release: tuple[str, ...]
    link: str
    link_words: str


def compose_monday(
    outbox: Outbox, standing: Standing, as_of: dt.date, refused: str = "",
    resolved: Sequence[str] = (),
) -> tuple[Monday, list[Serious]]:
    """The message of the week of ``as_of``, and the serious things it tells.

    ``refused``: why the gate refused this week's release, empty when it did not.
    ``resolved``: letters that had been cut off, as sentences.
    """
    network, warehouse = outbox.network, outbox.warehouse
    period = week_name(as_of)
    season = network.season_of(as_of)
    span = network.season_span(season)
    lines, chase = [], []
    for entry in standing.sites:
        last = dt.date.fromisoformat(entry.last_received) if entry.last_received else None
        late = weeks_overdue(last, as_of, span)
        name = plain(entry.name, 60)
        lines.append(SiteLine(
            name, day(last) if last else "never", entry.rows, entry.held, entry.asked,
            counted(late, "week") if late else "",
            last is not None and (as_of - last).days < 7))
        if late:
            site = network.sites.get(entry.site)
            contact = site.contact if site is not None and site.contact else "no address known"
            chase.append(f"{name}: {counted(late, 'week')} late ({plain(contact, 120)})")
        chase += [f"{name}: {plain(sentence, 300)}" for sentence in entry.waiting]
    found = not_yet_told(warehouse, serious(
        warehouse, season, [taxon.id for taxon in TAXA.values() if taxon.protected],
        network.operating.mail.mortality_percent), period)
    sent = sum(line.sent_this_week for line in lines)
    held = sum(entry.held for entry in standing.sites)
    asked = sum(entry.asked for entry in standing.sites)
    parts = [f"{sent} of {counted(len(lines), 'site')} sent a sheet",
             f"{sum(e.rows - e.held for e in standing.sites):,} rows are loaded",
             f"{held:,} held", f"{counted(asked, 'question')} open"]
    late_sites = sum(bool(line.late) for line in lines)
    if late_sites:
        parts.append(f"{counted(late_sites, 'site')} late")
    if found:
        parts.append(f"{len(found)} serious and new")
    version = _latest(warehouse.network_dir)
    changes = releases_folder(warehouse.network_dir) / str(version) / "CHANGES.md"
    pages = network.operating.mail.pages.rstrip("/")
    return Monday(
        subject=f"{plain(network.name, 60)}, {period}: " + ", ".join(
            [f"{sent}/{len(lines)} sent", f"{held} held",
             *([f"{len(found)} serious"] if found else []),
             *(["release refused"] if refused else [])]),
        headline=f"As of {day(as_of)}: " + ", ".join(parts) + ".",
        serious=_serious_lines(found, network),
        sites=tuple(lines), chase=tuple(chase),
        troubles=_troubles(outbox, standing, as_of),
        mail=_mail(outbox, as_of, resolved),
        release=_release(version, refused),
        link="" if not version else (f"{pages}/releases/{version}" if pages
                                      else changes.resolve().as_uri()),
        link_words=f"What changed in {version}" if version else "",
    ), found


def _latest(network_dir: Path) -> str | None:
    """The release that is out, whether this week's run made it or not."""
    try:
        return latest_path(network_dir).read_text(encoding="utf-8").strip() or None
    except OSError:
        return None


def _serious_lines(found: Sequence[Serious], network: Network) -> tuple[str, ...]:
    lines = []
    for item in sorted(found, key=lambda one: (-one.dead, one.date))[:_MOST_SERIOUS]:
        site = network.sites.get(item.site)
        name = plain(site.name if site else item.site, 60)
        taxon = TAXA[item.taxon].vernacular if item.taxon in TAXA else item.taxon
        dead = f", {item.dead:,} of them dead" if item.dead else ""
        what = (f"protected bycatch, {taxon}: {item.count:,}{dead}" if item.kind == "protected"
                else f"{item.dead:,} dead of {max(item.count, item.dead):,} {taxon}")
        lines.append(f"{name}, net {plain(item.gear_unit, 20)}, {day(item.date)}: {what}")
    if len(found) > _MOST_SERIOUS:
        lines.append(f"and {len(found) - _MOST_SERIOUS} more, in the release's counts")
    return tuple(lines)


def _troubles(outbox: Outbox, standing: Standing, as_of: dt.date) -> tuple[str, ...]:
    lines = [plain(notice, 500) for notice in standing.notices]
    for entry in standing.sites:
        lines += [f"{plain(entry.name, 60)}: {plain(text, 400)}" for text in entry.troubles]
    since = dt.datetime.combine(as_of - dt.timedelta(days=7), dt.time())
    strangers = {item.source for item in arrivals.arrivals(outbox.warehouse)
                 if item.note == "from nobody on the list" and item.came >= since}
    if strangers:
        lines.append("Mails came from addresses on no site's list: "
                     f"{plain(', '.join(sorted(strangers)), 300)}.")
    lines += [f"{name} has no mail address in network.toml: nothing can be sent there."
              for name in outbox.without_address]
    lines = list(dict.fromkeys(lines))
    if len(lines) > _MOST_LINES:
        lines[_MOST_LINES - 1:] = [f"And {len(lines) - _MOST_LINES + 1} more: `tallyweir status`."]
    return tuple(lines)


def _mail(outbox: Outbox, as_of: dt.date, resolved: Sequence[str]) -> tuple[str, ...]:
    since = dt.datetime.combine(as_of - dt.timedelta(days=7), dt.time())
    lines = [plain(sentence, 300) for sentence in resolved]
    for letter in letters.letters(outbox.warehouse):
        who = f"{letter.site or 'coordinator'} ({letter.address}, {letter.period})"
        if letter.state in ("refused", "bounced") and letter.changed >= since:
            word = "was refused" if letter.state == "refused" else "came back"
            lines.append(f"The letter to {who} {word}: {plain(letter.answer, 200)}. "
                         "See whether the address still holds.")
        elif letter.state == "queued" and letter.attempts:
            lines.append(f"The letter to {who} has not gone yet: {plain(letter.answer, 200)}.")
        elif letter.state == "sending":
            lines.append(f"The letter to {who} was cut off while it went; it is being looked up.")
    return tuple(lines[:_MOST_LINES])


def _release(version: str | None, refused: str) -> tuple[str, ...]:
    if refused:
        return (f"This week's release was refused: {plain(refused, 600)}",
                f"The latest stays {version}." if version else "There is no release yet.")
    if version is None:
        return ("There is no release yet.",)
    return (f"Release {version} passed the gate and is the latest.",)


def write_monday(outbox: Outbox, monday: Monday, told: Sequence[Serious], as_of: dt.date) -> Path:
    """Put the message into the outbox folder and among the letters; returns its folder."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("flows.sending"), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
        autoescape=lambda name: name is None or not name.endswith(".txt.j2"))
    page, text = (environment.get_template(f"monday.{kind}.j2").render(monday=monday)
                  for kind in ("html", "txt"))
    period = week_name(as_of)
    folder = outbox.warehouse.network_dir / "outbox" / COORDINATOR / period
    if not outbox.dry_run:
        durable.write_text(folder / "message.html", page)
        durable.write_text(folder / "message.txt", text)
    outbox.put("monday", "", outbox.network.coordinator, period,
               Words(monday.subject, text, page), stands=True)
    if not outbox.dry_run:
        note_told(outbox.warehouse, told, period)
    return folder
