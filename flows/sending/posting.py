"""Emptying the outbox: each letter handed over once, and what was cut off looked up first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from email.utils import parseaddr

from flows.collecting.mailbox import holds
from flows.sending.transport import MailServer
from shared.operating import Operating
from shared.problems import Problem, Trouble
from warehouse import letters
from warehouse.letters import Letter, letter_path
from warehouse.store import Warehouse

GRACE = dt.timedelta(minutes=15)
"""How long the copy of a letter may take to reach the network's mailbox."""

GIVEN_UP_AFTER = dt.timedelta(days=5)
"""As long as mail servers themselves try."""

_FIRST_WAIT = dt.timedelta(minutes=10)
_LONGEST_WAIT = dt.timedelta(hours=6)


@dataclass(slots=True)
class Posted:
    """What a round of posting came to."""

    sent: list[Letter] = field(default_factory=list)
    refused: list[tuple[Letter, str]] = field(default_factory=list)
    waiting: list[tuple[Letter, str]] = field(default_factory=list)
    resolved: list[str] = field(default_factory=list)
    """A sentence for each letter that had been cut off."""
    trouble: Trouble | None = None

    def sentence(self) -> str:
        """The round in a line."""
        parts = [f"{len(self.sent)} sent"]
        parts += [f"{len(found)} {word}" for word, found in
                  (("refused", self.refused), ("to be tried again", self.waiting),
                   ("cut off earlier and settled", self.resolved)) if found]
        if self.trouble is not None:
            parts.append(self.trouble.sentence())
        return ", ".join(parts)


def post(
    warehouse: Warehouse, operating: Operating, now: dt.datetime,
    looked_up: Callable[[str], bool] | None = None,
) -> Posted:
    """Send what is due; ``now`` is naive UTC. Without a mail server set, nothing is queued.

    ``looked_up`` says whether a message id is in the network's mailbox (default: look there,
    where letters are copied to it).
    """
    posted = Posted()
    settings = operating.mail
    if not settings.set:
        return posted
    if looked_up is None and settings.copy_to and operating.collect.mailbox is not None:
        mailbox = operating.collect.mailbox

        def looked_up(message_id: str) -> bool:
            return holds(mailbox, message_id)

    _resolve(warehouse, now, looked_up, posted)
    sender = parseaddr(settings.sender)[1]
    copy_to = parseaddr(settings.copy_to)[1]
    try:
        with MailServer(settings) as server:
            for letter in letters.letters(warehouse, "queued"):
                if letter.next_try <= now or letter.queued > now:
                    _one(warehouse, server, letter, sender, copy_to, now, posted)
    except Problem as problem:
        posted.trouble = problem.trouble
    return posted


def _resolve(
    warehouse: Warehouse, now: dt.datetime, looked_up: Callable[[str], bool] | None,
    posted: Posted,
) -> None:
    """Letters that were cut off between the text and the server's word for it."""
    for letter in letters.letters(warehouse, "sending"):
        if abs(now - letter.changed) < GRACE:
            continue
        who = f"The letter to {letter.address} ({letter.period}) was cut off while it went"
        if looked_up is None:
            said = (f"{who}. Nobody can say whether it arrived, so it goes again under the same "
                    "message id, by which most mail programs show it once.")
            letters.settle(warehouse, letter.id, "queued", now, said, now)
        else:
            try:
                arrived = looked_up(letter.message_id)
            except Problem as problem:
                posted.trouble = problem.trouble
                continue
            if arrived:
                said = f"{who}. It had gone: its copy lies in the network's mailbox."
                letters.settle(warehouse, letter.id, "sent", now, said)
            else:
                said = f"{who}. It had not gone (no copy in the network's mailbox): it goes again."
                letters.settle(warehouse, letter.id, "queued", now, said, now)
        posted.resolved.append(said)


def _one(
    warehouse: Warehouse, server: MailServer, letter: Letter, sender: str, copy_to: str,
    now: dt.datetime, posted: Posted,
) -> None:
    try:
        content = letter_path(warehouse.network_dir, letter.id).read_bytes()
    except OSError as error:
        said = f"its text cannot be read ({error.strerror or error})"
        letters.settle(warehouse, letter.id, "refused", now, said)
        posted.refused.append((letter, said))
        return
    answer = server.hand_over(
        sender, letter.address, copy_to, content,
        lambda: letters.settle(warehouse, letter.id, "sending", now, ""))
    if answer.state == "sent":
        letters.settle(warehouse, letter.id, "sent", now, answer.said)
        posted.sent.append(letter)
    elif answer.state == "unknown":
        letters.settle(warehouse, letter.id, "sending", now, answer.said)
        posted.waiting.append((letter, answer.said))
    elif answer.state == "refused" or now - letter.queued > GIVEN_UP_AFTER:
        letters.settle(warehouse, letter.id, "refused", now, answer.said)
        posted.refused.append((letter, answer.said))
    else:
        wait: dt.timedelta = min(_FIRST_WAIT * 2 ** min(letter.attempts, 10), _LONGEST_WAIT)
        letters.settle(warehouse, letter.id, "queued", now, answer.said, now + wait)
        posted.waiting.append((letter, answer.said))
