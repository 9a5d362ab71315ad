"""A letter as mail: text, HTML and what is attached, with headers that mail programs expect."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from pathlib import Path

from shared.operating import MailSettings
from warehouse.letters import letter_id

_XLSX = ("application", "vnd.openxmlformats-officedocument.spreadsheetml.sheet")


@dataclass(frozen=True, slots=True)
class Words:
    """What a letter says. ``html`` may be empty; ``attached`` is a workbook or None."""

    subject: str
    text: str
    html: str = ""
    attached: Path | None = None


def message_id(settings: MailSettings, kind: str, site: str, address: str, period: str) -> str:
    """The letter's message id: the same however often it is made."""
    domain = parseaddr(settings.sender)[1].rpartition("@")[2] or "tallyweir.invalid"
    return f"<{letter_id(kind, site, address, period)}.{kind}@{domain}>"


_ID = re.compile(r"<[!-;=?-~]{1,248}>")
"""A message id in letters that a header may hold as they are."""


def in_a_header(text: str) -> str:
    """``text`` as one line of a header, which it cannot end.

    A sheet or a mail may have put anything into a title. What looks like an encoded word
    (RFC 2047) would be decoded on the way out, and a line break within it begin a new header.
    """
    printable = "".join(char if char.isprintable() else " " for char in text)
    return re.sub(r"\s+", " ", printable.replace("=?", "= ?")).strip()


def seal(
    words: Words, settings: MailSettings, address: str, id_: str, written: dt.datetime,
    in_reply_to: str = "",
) -> bytes:
    """The letter's bytes, ready to send. ``written`` is naive UTC."""
    mail = EmailMessage(policy=SMTP)
    name, sender = parseaddr(settings.sender)
    mail["From"] = Address(name, addr_spec=sender or "tallyweir@tallyweir.invalid")
    mail["To"] = Address(addr_spec=address)
    if settings.reply_to:
        name, reply = parseaddr(settings.reply_to)
        mail["Reply-To"] = Address(name, addr_spec=reply)
    mail["Subject"] = in_a_header(words.subject)
    mail["Date"] = format_datetime(written.replace(tzinfo=dt.UTC))
    mail["Message-ID"] = id_
    if in_reply_to:
        if _ID.fullmatch(in_reply_to) and "=?" not in in_reply_to:
            mail["In-Reply-To"] = in_reply_to
            mail["References"] = in_reply_to
        mail["Auto-Submitted"] = "auto-replied"
    else:
        mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(words.text, cte="quoted-printable")
    if words.html:
        mail.add_alternative(words.html, subtype="html", cte="quoted-printable")
    if words.attached is not None:
        main, sub = _XLSX
        mail.add_attachment(words.attached.read_bytes(), maintype=main, subtype=sub,
                            filename=words.attached.name)
    return mail.as_bytes()
