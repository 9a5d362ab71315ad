"""The short message a lead reads: HTML and plain text, at most fifteen lines of content."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flows.returns import wording
from flows.returns.gathering import Ask
from shared.problems import Trouble
from shared.protocol import protocols
from shared.settings import Network, Site

MOST_LINES = 15
MOST_ASKS = 10
MOST_TROUBLES = 3
WORKBOOK_NAME = "please-answer.xlsx"


@dataclass(frozen=True, slots=True)
class AskLine:
    """One question as the message tells it."""

    effect: str
    where: str
    odd: str
    advice: str


@dataclass(frozen=True, slots=True)
class Letter:
    """What the message says, before any markup. Empty strings are left out."""

    subject: str
    thanks: str
    echo: str
    account: str
    asks: tuple[AskLine, ...]
    more: str
    troubles: tuple[str, ...]
    what_to_do: str
    caution: str

    @property
    def lines(self) -> int:
        """Lines of content: what a tired reader has to get through."""
        single = (self.thanks, self.echo, self.account, self.more, self.what_to_do, self.caution)
        return sum(bool(line) for line in single) + len(self.asks) + len(self.troubles)


@dataclass(frozen=True, slots=True)
class Message:
    """The message ready to send."""

    subject: str
    html: str
    text: str


def compose(
    site: Site,
    network: Network,
    asks: Sequence[Ask],
    account: Mapping[str, int],
    troubles: Sequence[Trouble],
    as_of: dt.date,
    echo: str = "",
) -> Letter:
    """Choose what is said: the first of the questions that fit, the rest as a number.

    ``echo``: what came of the site's answers, in a line.
    """
    told = [wording.trouble_line(trouble) for trouble in troubles[:MOST_TROUBLES]]
    if len(troubles) > MOST_TROUBLES:
        told = told[: MOST_TROUBLES - 1]
        left = len(troubles) - len(told)
        told.append(f"And {left} more of your files could not be used; please reply and we will "
                    "look at them together.")
    caution = _caution(site, network)
    # Thanks, account, what to do and (if any) the caution stand in every message.
    room = MOST_LINES - 3 - bool(caution) - bool(echo) - len(told)
    shown = min(len(asks), MOST_ASKS, room)
    if shown < len(asks):
        shown = min(shown, room - 1)
    rest = len(asks) - shown
    name = wording.plain(site.name, 60)
    return Letter(
        subject=_subject(name, network, asks, troubles),
        thanks=f"Thank you, {name}.",
        echo=wording.plain(echo, 480),
        account=_account(asks, account, as_of),
        asks=tuple(_line(ask, as_of) for ask in asks[:shown]),
        more=f"And {rest:,} more in the workbook." if rest else "",
        troubles=tuple(told),
        what_to_do=_what_to_do(asks, troubles),
        caution=caution,
    )


def write_message(letter: Letter) -> Message:
    """``letter`` in HTML (self-contained, every value escaped) and in plain text."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("flows.returns"), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
        autoescape=lambda name: name is None or not name.endswith(".txt.j2"),
    )
    html, text = (
        environment.get_template(f"message.{kind}.j2").render(letter=letter)
        for kind in ("html", "txt")
    )
    return Message(letter.subject, html, text)


def _subject(
    name: str, network: Network, asks: Sequence[Ask], troubles: Sequence[Trouble]
) -> str:
    parts = []
    if asks:
        parts.append(f"{wording.counted(len(asks), 'question')} about your sheet")
    if troubles:
        parts.append(f"{wording.counted(len(troubles), 'file')} we could not use")
    about = ", ".join(parts) or "your sheet arrived, nothing to ask"
    return f"{name}: {about}" + (f" ({wording.plain(network.name, 60)})" if network.name else "")


def _account(asks: Sequence[Ask], account: Mapping[str, int], as_of: dt.date) -> str:
    line = f"As of {wording.day(as_of)}: {wording.account_line(account)}"
    if asks:
        older = any(ask.asked is not None and ask.asked < as_of for ask in asks)
        noun = "question" if len(asks) == 1 else (
            "questions, longest open first" if older else "questions, worst first")
        line += f" We have {len(asks):,} {noun}:"
    return line


def _line(ask: Ask, as_of: dt.date) -> AskLine:
    where = ask.where + (f", {ask.dates}" if ask.dates else "")
    where = where[:1].upper() + where[1:]
    if ask.title:
        where += f". {wording.plain(f'{ask.title}: {ask.says}', 80)}"
    return AskLine(
        effect=wording.EFFECT_WORD[ask.effect] + (
            f", asked since {wording.day(ask.asked)}"
            if ask.asked is not None and ask.asked < as_of else ""),
        where=wording.plain(where, 180),
        odd=wording.plain(ask.message, 180),
        advice=wording.plain(
            f"We suggest: {ask.suggestion}" if ask.suggestion else ask.advice, 130),
    )


def _what_to_do(asks: Sequence[Ask], troubles: Sequence[Trouble]) -> str:
    if asks:
        return (
            "What to do: mend these in your own sheet and send it as usual. Or open "
            f"{WORKBOOK_NAME}, which comes with this message, choose an answer on each line and "
            "send it back the way you send your sheet. The next weekly run takes it up."
        )
    if troubles:
        return "What to do: send the file again as said above. Everything else is in order."
    return "There is nothing for you to do. Just carry on and send your sheet as usual."


def _caution(site: Site, network: Network) -> str:
    """The protocol's first sentence of caution, then the network's note on permits."""
    known = protocols()
    cautions = [known[name].caution for name in site.protocols if name in known]
    first = cautions[0].partition(". ")[0].rstrip(".") + "." if cautions else ""
    return wording.plain(f"{first} {network.permit_note}", 420)
