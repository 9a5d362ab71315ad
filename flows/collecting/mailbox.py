"""The network's mailbox: attachments of known senders become sheets, the rest is told.

Mails are left where they are, read or unread: what has been dealt with is known by the
mailbox's own numbering and, should that start anew, by message id.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import email
import email.policy
import hashlib
import imaplib
import re
import ssl
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.utils import parseaddr
from pathlib import PurePosixPath
from typing import Any

from flows.collecting.putting_in import SHEETS, put_in, safe_name
from flows.collecting.synced_folder import whole
from flows.secrets import MAILBOX_PASSWORD, cleared, secret
from shared.operating import MailboxSettings, Operating
from shared.problems import Problem, Trouble
from warehouse import arrivals, letters
from warehouse.arrivals import Arrival, SourceState
from warehouse.store import Warehouse

_TIMEOUT_SECONDS = 60.0
_MOST_AT_ONCE = 500
"""Mails dealt with in one round; the rest waits for the next."""


class MailboxFailed(Problem, ConnectionError):
    """The mailbox cannot be looked into."""

    code = "mailbox-failed"


@dataclass(frozen=True, slots=True)
class Answerable:
    """A mail of a known sender in which nothing was of use: who should hear of it."""

    site: str
    address: str
    message_id: str
    subject: str
    why: str


@dataclass(slots=True)
class MailRound:
    """What a look into the mailbox came to."""

    taken: list[tuple[str, str]] = field(default_factory=list)
    """(site, path in the inbox)."""
    to_answer: list[Answerable] = field(default_factory=list)
    bounces: list[str] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)


@contextlib.contextmanager
def opened(settings: MailboxSettings) -> Iterator[imaplib.IMAP4_SSL]:
    """The mailbox, open for reading only, over TLS.

    Raises :class:`MailboxFailed` (also for what goes wrong inside), and
    :class:`flows.secrets.NoSecret` when its password is not known.
    """
    password = secret(MAILBOX_PASSWORD, settings.user, settings.server)
    context = ssl.create_default_context(cafile=settings.ca_file or None)
    place = f"{settings.user} at {settings.server}"
    try:
        box = imaplib.IMAP4_SSL(settings.server, settings.port, ssl_context=context,
                                timeout=_TIMEOUT_SECONDS)
    except ssl.SSLError as error:
        raise MailboxFailed(
            "The mail server's certificate does not hold.",
            "See that its name is written as its provider gives it; a server of your own needs "
            "ca_file.", place) from error
    except (OSError, imaplib.IMAP4.error) as error:
        raise MailboxFailed(f"The mail server cannot be reached ({_plain(error)}).",
                            "The next round tries again.", place) from error
    try:
        try:
            box.login(settings.user, password)
        except imaplib.IMAP4.error as error:
            raise MailboxFailed(
                f"The mail server refuses the password ({_plain(error)}).",
                "Store the right one (docs/operate.md says how).", place) from error
        kind, _ = box.select(f'"{settings.folder}"', readonly=True)
        if kind != "OK":
            raise MailboxFailed(f"It has no folder {settings.folder}.",
                                "Correct the folder in [collect.mailbox].", place)
        yield box
    except (OSError, imaplib.IMAP4.error) as error:
        if isinstance(error, Problem):
            raise
        raise MailboxFailed(f"The connection to the mailbox broke off ({_plain(error)}).",
                            "The next round goes on where it stopped.", place) from error
    finally:
        with contextlib.suppress(Exception):
            box.logout()


def _plain(error: BaseException) -> str:
    text = str(error)
    if isinstance(error, imaplib.IMAP4.error) and text[:2] in ("b'", 'b"'):
        text = text[2:-1]
    return cleared(re.sub(r"\s+", " ", text))[:200] or type(error).__name__


def holds(settings: MailboxSettings, message_id: str) -> bool:
    """Whether a mail with this message id lies in the mailbox. Raises as :func:`opened`."""
    with opened(settings) as box:
        found = _done(box.uid("SEARCH", "HEADER", "Message-ID", f'"{message_id}"'))
    return bool(found and found[0] and found[0].split())


def look_into_mailbox(warehouse: Warehouse, operating: Operating, now: dt.datetime) -> MailRound:
    """Take what is new in the mailbox into the inboxes. ``now`` is naive UTC."""
    settings = operating.collect.mailbox
    assert settings is not None
    found = MailRound()
    source = f"mailbox:{settings.user}@{settings.server}/{settings.folder}"
    known = arrivals.source_state(warehouse, "", source)
    most = int(operating.collect.megabytes * 1e6)
    try:
        with opened(settings) as box:
            validity = str(box.response("UIDVALIDITY")[1][0], "ascii")
            last = int(known.mark["last"]) if known and known.mark["of"] == validity else 0
            listed = _done(box.uid("SEARCH", f"UID {last + 1}:*"))
            # "n:*" always names the newest, even when it is below n.
            numbers = sorted(n for n in map(int, (listed[0] or b"").split()) if n > last)
            for number in numbers[:_MOST_AT_ONCE]:
                _one(warehouse, box, number, operating, most, now, found)
                # Only now is it dealt with: cut off before, the next round takes it again.
                arrivals.remember_source(warehouse, "", source, SourceState(
                    "", {"of": validity, "last": number}, now))
    except Problem as problem:
        found.troubles.append(problem.trouble)
    return found


def _done(answer: tuple[str, list[Any]]) -> list[Any]:
    kind, data = answer
    if kind != "OK":
        raise imaplib.IMAP4.error(f"the server answered {kind}")
    return data


def _one(
    warehouse: Warehouse, box: imaplib.IMAP4_SSL, number: int, operating: Operating, most: int,
    now: dt.datetime, found: MailRound,
) -> None:
    size = re.search(rb"RFC822\.SIZE (\d+)", b" ".join(
        part if isinstance(part, bytes) else b" ".join(part)
        for part in _done(box.uid("FETCH", str(number), "(RFC822.SIZE)")) if part))
    too_large = size is not None and int(size[1]) > most * 4 // 3 + 65536
    what = "(BODY.PEEK[HEADER])" if too_large else "(BODY.PEEK[])"
    parts = [part for part in _done(box.uid("FETCH", str(number), what))
             if isinstance(part, tuple)]
    if not parts:
        return  # deleted between the search and now
    raw: bytes = parts[0][1]
    try:
        _deal(warehouse, raw, too_large, operating, now, found)
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
        # One mail that defies reading must not stand in the way of all that follow.
        arrivals.record_arrival(warehouse, Arrival(
            "", "", "", "mail", "", f"<{hashlib.sha256(raw).hexdigest()[:24]}>", now,
            f"could not be read ({type(error).__name__})"))
        found.troubles.append(Trouble(
            "mail-unreadable", "A mail in the mailbox could not be read and was passed over.",
            "Look through the newest mails there; have the sheet sent again if one is missed.",
            "mailbox"))


def _deal(
    warehouse: Warehouse, raw: bytes, too_large: bool, operating: Operating, now: dt.datetime,
    found: MailRound,
) -> None:
    """What one mail comes to."""
    mail = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(mail, EmailMessage)
    message_id = _message_id(mail, raw)
    if arrivals.mail_known(warehouse, message_id):
        return
    sender = parseaddr(_header(mail, "From"))[1].strip().lower()
    if _is_ours(mail, operating):
        return

    def note(site: str, why: str) -> None:
        arrivals.record_arrival(warehouse, Arrival(
            site, "", "", "mail", sender, message_id, now, why))

    if _bounce(warehouse, mail, now, found):
        note("", "a letter of ours that came back")
        return
    site = next((site for site, sources in operating.collect.sites.items()
                 if sender in sources.senders), "")
    if not site:
        note("", "from nobody on the list")
        if not _by_machine(mail):
            found.troubles.append(Trouble(
                "stranger", f"A mail came from {safe_name(sender)}, who is on no site's list.",
                "If it holds a sheet, add the address to the site's senders in network.toml and "
                "have it sent again; otherwise there is nothing to do.", "mailbox"))
        return
    taken: list[str] = []
    refused: list[str] = []
    for name, content in ([] if too_large else _attachments(mail)):
        if PurePosixPath(name).suffix.lower() not in SHEETS:
            if name:
                refused.append(f'"{name}" is no sheet')
        elif not whole(name, content):
            refused.append(f'of "{name}" only a part arrived')
        else:
            taken.append(put_in(warehouse, site, name, content, "mail", sender, message_id, now))
    found.taken += [(site, path) for path in taken]
    if taken:
        return
    why = ("it is larger than a sheet can be" if too_large else
           "; ".join(refused[:3]) or "nothing was attached to it")
    note(site, why)
    if not _by_machine(mail):
        found.to_answer.append(Answerable(
            site, sender, message_id, _header(mail, "Subject")[:120], why))


def _header(mail: EmailMessage, name: str) -> str:
    """A header's text in one line; one that is broken beyond reading is empty."""
    try:
        return re.sub(r"[\r\n\x00-\x1f]+", " ", str(mail.get(name, "")))
    except (ValueError, IndexError, KeyError, AttributeError, UnicodeError):
        return ""


def _message_id(mail: EmailMessage, raw: bytes) -> str:
    """Its message id, or for a mail without a usable one a name made of its bytes."""
    given = _header(mail, "Message-ID").strip()
    return given if 0 < len(given) <= 250 else f"<{hashlib.sha256(raw).hexdigest()[:24]}>"


def _is_ours(mail: EmailMessage, operating: Operating) -> bool:
    """Whether it is the copy of a letter that we sent."""
    own = parseaddr(operating.mail.sender)[1].lower()
    return bool(own) and parseaddr(_header(mail, "From"))[1].lower() == own


def _by_machine(mail: EmailMessage) -> bool:
    """Whether no person wrote it: then nobody is answered, or two machines would go on for ever."""
    return (_header(mail, "Auto-Submitted").lower() not in ("", "no")
            or _header(mail, "Precedence").lower() in ("bulk", "list", "junk", "auto_reply")
            or bool(_header(mail, "List-Id")) or _header(mail, "Return-Path").strip() == "<>"
            or mail.get_content_type() == "multipart/report")


def _attachments(mail: EmailMessage) -> Iterator[tuple[str, bytes]]:
    """Names and bytes of what is attached, also within a mail that was passed on."""
    for part in mail.walk():
        if part.is_multipart():
            continue
        try:
            name = part.get_filename() or ""
            if name or part.get_content_disposition() == "attachment":
                content = part.get_payload(decode=True)
                if isinstance(content, bytes):
                    yield name.replace("\\", "/").rsplit("/", 1)[-1], content
        except (ValueError, LookupError, UnicodeError):
            continue


def _bounce(
    warehouse: Warehouse, mail: EmailMessage, now: dt.datetime, found: MailRound
) -> bool:
    """Whether it tells that a letter of ours did not arrive; if so, that is noted."""
    if mail.get_content_type() != "multipart/report":
        return False
    said, failed, ids = "", False, []
    for part in mail.walk():
        kind = part.get_content_type()
        if kind == "message/delivery-status":
            text = part.as_string()
            failed |= re.search(r"(?im)^Action:\s*failed", text) is not None
            reason = re.search(r"(?im)^Diagnostic-Code:\s*(?:[\w-]+;)?\s*(.+)$", text)
            said = reason[1].strip() if reason else said
        elif kind in ("message/rfc822", "text/rfc822-headers"):
            ids += re.findall(r"(?im)^Message-ID:\s*(<[^>\s]+>)", part.as_string())
    ids += re.findall(r"<[^>\s]+>", _header(mail, "References") + _header(mail, "In-Reply-To"))
    if not failed:
        return True  # a delay, or a receipt: nothing to do yet
    for message_id in ids:
        if letters.note_bounce(warehouse, message_id, cleared(said)[:300], now):
            found.bounces.append(message_id)
            break
    return True
