"""Talking to the mail server: what it took, what it will not take, and what nobody knows.

The text of a letter and the server's word for it are two steps. Whatever fails before the text
has been handed over whole has surely not been sent; whatever fails after it may have been.
"""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType

from flows.secrets import MAIL_PASSWORD, cleared, secret
from shared.operating import MailSettings
from shared.problems import Problem

_TIMEOUT_SECONDS = 30.0


class MailFailed(Problem, ConnectionError):
    """The mail server cannot be used at all just now: no letter can go."""

    code = "mail-failed"


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of handing a letter over.

    ``state``: *sent*; *refused* (for good); *later* (not now, surely not sent);
    *unknown* (handed over whole, and no word came back).
    """

    state: str
    said: str


class MailServer:
    """A connection to the server, made when first needed. Use as a context manager."""

    def __init__(self, settings: MailSettings) -> None:
        self.settings = settings
        self._smtp: smtplib.SMTP | None = None

    def __enter__(self) -> MailServer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._hang_up()

    def _hang_up(self) -> None:
        if self._smtp is not None:
            with contextlib.suppress(OSError, smtplib.SMTPException):
                self._smtp.quit()
            with contextlib.suppress(OSError):
                self._smtp.close()
            self._smtp = None

    def _connected(self) -> smtplib.SMTP:
        """The connection, encrypted and signed in. Raises :class:`MailFailed`."""
        if self._smtp is not None:
            return self._smtp
        settings = self.settings
        place = f"{settings.server}:{settings.port}"
        context = ssl.create_default_context(cafile=settings.ca_file or None)
        smtp: smtplib.SMTP | None = None
        try:
            if settings.security == "tls":
                smtp = smtplib.SMTP_SSL(settings.server, settings.port, context=context,
                                        timeout=_TIMEOUT_SECONDS)
            else:
                smtp = smtplib.SMTP(settings.server, settings.port, timeout=_TIMEOUT_SECONDS)
            smtp.ehlo()
            if settings.security == "starttls":
                # Without it nothing more is said: a password never travels in the clear.
                smtp.starttls(context=context)
                smtp.ehlo()
            if settings.user:
                smtp.login(settings.user, secret(MAIL_PASSWORD, settings.user, settings.server))
        except (OSError, smtplib.SMTPException, ValueError) as error:
            if smtp is not None:
                smtp.close()
            if isinstance(error, Problem):
                raise
            raise MailFailed(*_why(error), place) from error
        except Problem:
            if smtp is not None:
                smtp.close()
            raise
        self._smtp = smtp
        return smtp

    def hand_over(
        self, sender: str, address: str, copy_to: str, content: bytes,
        about_to: Callable[[], None],
    ) -> Answer:
        """Hand one letter over to ``address`` (and a copy). ``about_to`` is called last thing
        before the text goes, and what it raises stops it.

        Raises :class:`MailFailed` and :class:`flows.secrets.NoSecret` when no letter can go.
        """
        smtp = self._connected()
        try:
            code, said = smtp.mail(sender)
            if code != 250:
                smtp.rset()
                return _judged(code, said)
            code, said = smtp.rcpt(address)
            if code not in (250, 251):
                smtp.rset()
                return _judged(code, said)
            if copy_to:
                smtp.rcpt(copy_to)  # without the copy there is only less to look up later
            code, said = smtp.docmd("DATA")
            if code != 354:
                smtp.rset()
                return _judged(code, said)
        except (OSError, smtplib.SMTPException) as error:
            self._hang_up()
            return Answer("later", f"the connection broke off ({_clean(error)})")
        except UnicodeError:
            smtp.rset()
            return Answer("refused", "the address has letters that mail cannot carry")
        try:
            about_to()
        except BaseException:
            # The server waits for the text; hanging up now makes it drop the letter.
            smtp.close()
            self._smtp = None
            raise
        text = re.sub(rb"(?m)^\.", b"..", re.sub(rb"\r\n|\r|\n", b"\r\n", content))
        try:
            smtp.send(text + (b"" if text.endswith(b"\r\n") else b"\r\n") + b".\r\n")
        except (OSError, smtplib.SMTPException) as error:
            # The closing line is the last to leave: it has not.
            self._hang_up()
            return Answer("later", f"the connection broke off ({_clean(error)})")
        try:
            code, said = smtp.getreply()
        except (OSError, smtplib.SMTPException) as error:
            self._hang_up()
            return Answer("unknown", f"no word came back ({_clean(error)})")
        if code == 250:
            return Answer("sent", _words(code, said))
        return _judged(code, said)


def _judged(code: int, said: bytes) -> Answer:
    return Answer("refused" if 500 <= code < 600 else "later", _words(code, said))


def _words(code: int, said: bytes) -> str:
    text = re.sub(r"\s+", " ", said.decode("utf-8", "replace"))
    return cleared(f"{code} {text}")[:300]


def _clean(error: BaseException) -> str:
    return cleared(re.sub(r"\s+", " ", str(error)))[:200] or type(error).__name__


def _why(error: BaseException) -> tuple[str, str]:
    """What the matter is and what to do, when the server cannot be used."""
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return (f"The mail server refuses the password ({error.smtp_code}).",
                "Store the right one (docs/operate.md says how); letters wait meanwhile.")
    if isinstance(error, ssl.SSLError):
        return ("The mail server's certificate does not hold, so nothing was sent to it.",
                "See that its name is written as its provider gives it; a server of your own "
                "needs ca_file in [mail].")
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return ("The mail server does not offer what [mail] asks for "
                f"({_clean(error)}), so nothing was sent to it.",
                'Ask its provider whether to write security = "tls" and which port.')
    if isinstance(error, socket.gaierror):
        return ("The mail server's name is not found.",
                "See that it is written rightly; letters wait meanwhile.")
    return (f"The mail server cannot be reached ({_clean(error)}).",
            "Letters wait and go with the next round.")
