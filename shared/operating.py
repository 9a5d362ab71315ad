"""How a network is run: mail, collecting, the schedule. The rest of ``network.toml``.

Nothing here judges a row, so none of it enters a site's digest. Secrets never stand here:
they come from the environment or the keyring, and an entry that looks like one is refused.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.utils import getaddresses, parseaddr
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from shared.cron import Cron
from shared.problems import BadSettings

SECURITY = ("starttls", "tls", "none")
NOTHING, ONE_LINE = "nothing", "one line"
QUIET = (NOTHING, ONE_LINE)
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

ACTIVITIES: Mapping[str, str] = {
    "collect": "0 * * * *",
    "weekly": "0 23 * * 0",
    "remind": "0 18 * * 5",
    "overdue": "0 9 * * 3",
    "backup": "30 2 * * *",
    "close": "",
}
"""What is done by itself, in the order of precedence when several are due, and when."""

_CLOSES_AFTER = dt.timedelta(days=14)
"""Sheets still come in for a while after the last net is lifted."""

_ADDRESS = re.compile(r"[\w.!#$%&'*+/=?^`{|}~-]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")


@dataclass(frozen=True, slots=True)
class MailSettings:
    """How letters are sent. Without ``server`` they are put in the outbox and no further."""

    server: str = ""
    port: int = 587
    security: str = "starttls"
    user: str = ""
    sender: str = ""
    reply_to: str = ""
    copy_to: str = ""
    """Address of the network's own mailbox, which gets a copy of every letter: whether a
    letter that was cut off has gone is then looked up there."""
    ca_file: str = ""
    quiet_weeks: str = NOTHING
    pages: str = ""
    """Address of the coordinator's pages, for links; empty: paths in the folder."""
    mortality_percent: float = 5.0
    """The coordinator is told at once of a net check with a larger share of dead."""

    @property
    def set(self) -> bool:
        """Whether letters can be sent."""
        return bool(self.server)


@dataclass(frozen=True, slots=True)
class MailboxSettings:
    """The mailbox that sheets are sent to."""

    server: str
    user: str
    port: int = 993
    folder: str = "INBOX"
    ca_file: str = ""


@dataclass(frozen=True, slots=True)
class SiteSources:
    """Where a site's sheets come from by themselves."""

    folder: str = ""
    urls: tuple[str, ...] = ()
    senders: tuple[str, ...] = ()
    """Addresses whose attachments are taken as the site's, in lower case."""


@dataclass(frozen=True, slots=True)
class CollectSettings:
    """Collecting: the hosts that may be asked, the limits, the sources of each site."""

    hosts: tuple[str, ...] = ()
    private_hosts: tuple[str, ...] = ()
    """Those of ``hosts`` that may stand at a private or loopback address."""
    ca_file: str = ""
    seconds: float = 60.0
    megabytes: float = 25.0
    redirects: int = 3
    tries: int = 4
    settle_seconds: float = 60.0
    mailbox: MailboxSettings | None = None
    sites: Mapping[str, SiteSources] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ScheduleSettings:
    """When things are done. ``crons``: activity -> crontab line, empty for never."""

    zone: str = "UTC"
    crons: Mapping[str, str] = field(default_factory=lambda: dict(ACTIVITIES))
    port: int = 4200
    keep_backups: int = 14
    backup_to: str = ""

    def cron(self, activity: str) -> Cron | None:
        """The line of ``activity``, None when it is never due."""
        line = self.crons.get(activity, "")
        return Cron(line, self.zone) if line else None


@dataclass(frozen=True, slots=True)
class LakeSettings:
    """Where the warehouse is, if machines share it. Without ``lake`` it is the network's file."""

    lake: str = ""
    """How the catalogue in PostgreSQL is reached, in the words of libpq, without a password."""
    data: str = "lake"
    """Where the Parquet files are: a folder (from the network's, if it is relative), or s3://."""
    endpoint: str = ""
    """Address of a store that speaks S3; empty: Amazon's own."""
    region: str = ""
    key_id: str = ""
    """Whose secret key the environment or the keyring has."""


@dataclass(frozen=True, slots=True)
class CrewSettings:
    """Who does the sites' work beside the machine that leads the run."""

    scheduler: str = ""
    """Address of the Dask scheduler, as in tcp://10.0.0.1:8786; empty: the leader works alone."""
    at_once: int = 16
    """Sites that a worker is given at most in one go."""
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""


@dataclass(frozen=True, slots=True)
class Operating:
    """Everything of ``network.toml`` that says how the network is run."""

    mail: MailSettings = field(default_factory=MailSettings)
    collect: CollectSettings = field(default_factory=CollectSettings)
    schedule: ScheduleSettings = field(default_factory=ScheduleSettings)
    lake: LakeSettings = field(default_factory=LakeSettings)
    crew: CrewSettings = field(default_factory=CrewSettings)
    quiet_weeks: Mapping[str, str] = field(default_factory=dict)
    """Site id -> its own preference, where it has one."""
    reminders: Mapping[str, bool] = field(default_factory=dict)

    def quiet(self, site: str) -> str:
        """What ``site`` wants in a week in which there is nothing to ask."""
        return self.quiet_weeks.get(site, self.mail.quiet_weeks)


def addresses(text: str) -> tuple[str, ...]:
    """The mail addresses in ``text`` (as in a To line), in lower case, each once."""
    found = (address.strip().lower() for _, address in getaddresses([text]))
    return tuple(dict.fromkeys(address for address in found if _ADDRESS.fullmatch(address)))


class _Table:
    """One table of the file, read entry by entry; what is left over is refused."""

    def __init__(self, raw: Any, here: str, where: str, known: tuple[str, ...]) -> None:
        self.here, self.where = here, where
        if not isinstance(raw, dict):
            raise BadSettings(f"{here} must be a table.",
                              f"Write {here} on a line of its own.", where)
        self.raw = raw
        for name in raw:
            if re.search(r"pass(word|wd)?$|secret|token", name.lower()):
                raise BadSettings(
                    f"{here} has an entry {name}: a secret does not belong in this file.",
                    "Remove it, change the secret since it was written down, and put the new one "
                    "in the environment or the keyring (docs/operate.md says how).", where)
            if name not in known:
                raise self.refuse(f'"{name}" is no entry here.',
                                  f"Entries are: {', '.join(sorted(known))}.")

    def refuse(self, what: str, remedy: str) -> BadSettings:
        return BadSettings(f"{self.here} {what}", remedy, self.where)

    def text(self, name: str, default: str = "") -> str:
        value = self.raw.get(name, default)
        if not isinstance(value, str):
            raise self.refuse(f"{name} = {value} is not text.", "Put it in quotes.")
        return value

    def one_of(self, name: str, default: str, known: tuple[str, ...]) -> str:
        value = self.text(name, default)
        if value not in known:
            raise self.refuse(f'{name} = "{value}" is not one of them.',
                              f"Write one of: {', '.join(known)}.")
        return value

    def number(self, name: str, default: float, low: float, high: float) -> float:
        value = self.raw.get(name, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not (
                low <= value <= high):
            raise self.refuse(f"{name} = {value} is not a number from {low:g} to {high:g}.",
                              f"Leave it out for {default:g}.")
        return value

    def whole(self, name: str, default: int, low: int, high: int) -> int:
        value = self.number(name, default, low, high)
        if value != int(value):
            raise self.refuse(f"{name} = {value} is not a whole number.", f"Write {int(value)}.")
        return int(value)

    def texts(self, name: str) -> tuple[str, ...]:
        value = self.raw.get(name, [])
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.refuse(f"{name} is not a list of texts.", f'Write {name} = ["...", "..."].')
        return tuple(value)

    def host(self, name: str) -> str:
        value = self.text(name)
        if value and not re.fullmatch(r"[A-Za-z0-9.:_-]+", value):
            raise self.refuse(f'{name} = "{value}" is not the name of a server.',
                              "Write it alone, as in mail.example.org.")
        return value


def parse_operating(raw: Mapping[str, Any], where: str) -> Operating:
    """The tables that say how the network is run, and the sites' own entries, checked.

    Raises :class:`BadSettings` naming the entry that is wrong and what to write.
    """
    mail = _mail(raw.get("mail", {}), where)
    quiet: dict[str, str] = {}
    reminders: dict[str, bool] = {}
    for site, entry in raw.get("sites", {}).items():
        table = _Table({name: entry[name] for name in ("quiet_weeks", "reminders")
                        if name in entry}, f"[sites.{site}]", where, ("quiet_weeks", "reminders"))
        if "quiet_weeks" in entry:
            quiet[site] = table.one_of("quiet_weeks", NOTHING, QUIET)
        if "reminders" in entry:
            if not isinstance(entry["reminders"], bool):
                raise table.refuse("reminders is neither true nor false.", "Write one of them.")
            reminders[site] = entry["reminders"]
    return Operating(mail, _collect(raw.get("collect", {}), raw.get("sites", {}), where),
                     _schedule(raw, where), *_sharing(raw, where), quiet, reminders)


def _mail(raw: Any, where: str) -> MailSettings:
    table = _Table(raw, "[mail]", where, (
        "server", "port", "security", "user", "from", "reply_to", "copy_to", "ca_file",
        "quiet_weeks", "pages", "mortality_percent"))
    server = table.host("server")
    security = table.one_of("security", "starttls", SECURITY)
    if server and security == "none" and server not in LOOPBACK:
        raise table.refuse(f'security = "none" would send letters and the password to {server} '
                           "in the clear.", 'Write "starttls" or "tls"; ask your provider which.')
    for name in ("from", "reply_to", "copy_to"):
        value = table.text(name)
        if (value or (server and name == "from")) and not _ADDRESS.fullmatch(
                parseaddr(value)[1]):
            raise table.refuse(f'{name} = "{value}" is not a mail address.',
                               f'Write {name} = "Lantern Bay count <count@example.org>".')
    default = {"starttls": 587, "tls": 465, "none": 25}[security]
    return MailSettings(
        server=server, port=table.whole("port", default, 1, 65535), security=security,
        user=table.text("user"), sender=table.text("from"), reply_to=table.text("reply_to"),
        copy_to=table.text("copy_to"), ca_file=table.text("ca_file"),
        quiet_weeks=table.one_of("quiet_weeks", NOTHING, QUIET), pages=table.text("pages"),
        mortality_percent=float(table.number("mortality_percent", 5.0, 0, 100)))


def _collect(raw: Any, sites: Mapping[str, Any], where: str) -> CollectSettings:
    table = _Table(raw, "[collect]", where, (
        "hosts", "private_hosts", "ca_file", "seconds", "megabytes", "redirects", "tries",
        "settle_seconds", "mailbox"))
    hosts = tuple(host.lower() for host in table.texts("hosts"))
    private = tuple(host.lower() for host in table.texts("private_hosts"))
    mailbox = None
    if "mailbox" in table.raw:
        box = _Table(table.raw["mailbox"], "[collect.mailbox]", where,
                     ("server", "user", "port", "folder", "ca_file"))
        if not box.host("server") or not box.text("user"):
            raise box.refuse("lacks the server or the user.", "Write both.")
        mailbox = MailboxSettings(
            box.host("server"), box.text("user"), box.whole("port", 993, 1, 65535),
            box.text("folder", "INBOX"), box.text("ca_file"))
    return CollectSettings(
        hosts=(*hosts, *private), private_hosts=private, ca_file=table.text("ca_file"),
        seconds=float(table.number("seconds", 60, 1, 3600)),
        megabytes=float(table.number("megabytes", 25, 0.001, 1000)),
        redirects=table.whole("redirects", 3, 0, 10), tries=table.whole("tries", 4, 1, 10),
        settle_seconds=float(table.number("settle_seconds", 60, 0, 86400)), mailbox=mailbox,
        sites=_sources(sites, (*hosts, *private), mailbox is not None, where))


def _sources(
    sites: Mapping[str, Any], hosts: tuple[str, ...], mailbox: bool, where: str
) -> dict[str, SiteSources]:
    found: dict[str, SiteSources] = {}
    owner: dict[str, str] = {}
    for site, entry in sites.items():
        if "collect" not in entry:
            continue
        table = _Table(entry["collect"], f"[sites.{site}.collect]", where,
                       ("folder", "url", "senders"))
        urls = table.texts("url")
        for url in urls:
            parts = urlsplit(url)
            if parts.scheme not in ("http", "https") or not parts.hostname:
                raise table.refuse(f'url = "{_bare(url)}" is no address that can be fetched.',
                                   "Write it whole, as in https://sheets.example.org/alder.xlsx.")
            if parts.username or parts.password:
                raise table.refuse("url holds a user or a password.",
                                   "Publish the sheet under a link that needs none.")
            if parts.hostname.lower() not in hosts:
                raise table.refuse(
                    f"url names the host {parts.hostname}, which is not on the network's list.",
                    f'Add "{parts.hostname}" to hosts in [collect], if it is right.')
        senders = tuple(item.lower() for item in table.texts("senders"))
        for sender in senders:
            if not _ADDRESS.fullmatch(sender):
                raise table.refuse(f'senders: "{sender}" is not a mail address.',
                                   "Write it alone, as in lead@example.org.")
            if owner.setdefault(sender, site) != site:
                raise table.refuse(f"senders: {sender} also sends for {owner[sender]}.",
                                   "A sheet's site must be plain from who sends it: give each "
                                   "site an address of its own.")
        if senders and not mailbox:
            raise table.refuse("senders are named, but no mailbox is.",
                               "Add [collect.mailbox] with its server and user.")
        found[site] = SiteSources(table.text("folder"), urls, senders)
    return found


def _bare(url: str) -> str:
    """``url`` without what may be secret in it."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.hostname or ''}{parts.path}" if parts.scheme else parts.path


def _schedule(raw: Mapping[str, Any], where: str) -> ScheduleSettings:
    table = _Table(raw.get("schedule", {}), "[schedule]", where,
                   ("zone", "port", "keep_backups", "backup_to", *ACTIVITIES))
    # Most sites' zone is the network's, unless it says otherwise; of two alike, the first named.
    zones = Counter(str(entry.get("zone", "UTC")) for entry in raw.get("sites", {}).values())
    zone = table.text("zone", zones.most_common(1)[0][0] if zones else "UTC")
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise table.refuse(f'zone = "{zone}" is not a time zone.',
                           "Use an IANA name such as Etc/UTC or CET.") from error
    crons: dict[str, str] = {}
    for activity, default in ACTIVITIES.items():
        line = table.text(activity, default or _after_season(raw))
        if line:
            try:
                line = Cron.parse(line, zone).line
            except ValueError as error:
                raise table.refuse(
                    f'{activity} = "{line}" is not a crontab line: {error}.',
                    f'Write minute, hour, day, month, weekday, as in "{default or "0 6 14 7 *"}"; '
                    'leave it empty ("") for never.') from error
        crons[activity] = line
    return ScheduleSettings(zone, crons, table.whole("port", 4200, 1, 65535),
                            table.whole("keep_backups", 14, 1, 1000), table.text("backup_to"))


def _is_scheduler(address: str) -> bool:
    """Whether it is ``tcp://`` or ``tls://``, a host and a port that can be."""
    if not re.fullmatch(r"(tcp|tls)://[A-Za-z0-9.:\[\]_-]+:\d+", address):
        return False
    try:
        parts = urlsplit(address)
        return bool((parts.hostname or "").encode("idna") and parts.port)
    except ValueError:
        return False


def _sharing(raw: Mapping[str, Any], where: str) -> tuple[LakeSettings, CrewSettings]:
    table = _Table(raw.get("warehouse", {}), "[warehouse]", where, (
        "lake", "data", "endpoint", "region", "key_id"))
    lake = LakeSettings(table.text("lake"), table.text("data", "lake") or "lake",
                        table.text("endpoint"), table.text("region"), table.text("key_id"))
    store = urlsplit(lake.endpoint)
    if lake.endpoint and (store.scheme not in ("http", "https") or store.path.strip("/")):
        raise table.refuse(f'endpoint = "{lake.endpoint}" is no address of a store.',
                           'Write it alone, as in "https://store.example.org:9000".')
    if store.scheme == "http" and store.hostname not in LOOPBACK:
        raise table.refuse("endpoint would send sheets in the clear.", "Write https://.")
    if lake.data.startswith("s3://") != bool(lake.key_id):
        raise table.refuse("does not go together: data on s3:// needs key_id, a folder has none.",
                           "Name the id of the key whose secret is in the environment.")
    if re.search(r"(^|\s)(password|passfile)\s*=|^\w+://[^@/]*:[^@/]*@", lake.lake):
        raise table.refuse(
            "lake holds a password: a secret does not belong in this file.",
            "Remove it, change the password since it was written down, and put the new one in "
            "the environment or the keyring (docs/scale.md says how).")
    crew = _Table(raw.get("workers", {}), "[workers]", where, (
        "scheduler", "sites_at_once", "ca_file", "cert_file", "key_file"))
    address = crew.text("scheduler")
    if address and not _is_scheduler(address):
        raise crew.refuse(f'scheduler = "{address}" is no address of a scheduler.',
                          'Write it with its port, as in "tls://10.0.0.1:8786".')
    if address and not lake.lake:
        raise crew.refuse("scheduler is named, but no lake that the workers could share.",
                          "Add [warehouse] with lake (docs/scale.md), or leave [workers] out.")
    files = [crew.text(name) for name in ("ca_file", "cert_file", "key_file")]
    if any(files) != all(files) or address.startswith("tls:") != all(files):
        raise crew.refuse("does not go together: tls:// needs ca_file, cert_file and key_file, "
                          "tcp:// none of them.",
                          "Name all three and write tls://, or leave them out.")
    return lake, CrewSettings(address, crew.whole("sites_at_once", 16, 1, 10_000), *files)


def _after_season(raw: Mapping[str, Any]) -> str:
    """Six in the morning, two weeks after the season's last day."""
    month, day = (int(part) for part in str(raw["network"]["season_end"]).split("-"))
    closes = dt.date(2023, month, min(day, 28) if month == 2 else day) + _CLOSES_AFTER
    return f"0 6 {closes.day} {closes.month} *"
