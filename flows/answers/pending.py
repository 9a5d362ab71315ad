"""What a page was told, kept until the next run: pages never write to the warehouse.

One small file an answer in ``warehouse/answers``. A run settles what waits for its site and
takes the files away once the outcome is recorded; a run that stops in between settles them
again, and finds them settled.
"""

from __future__ import annotations

import datetime as dt
import json
import secrets
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from shared.decisions import Action, Answer, Channel
from warehouse import durable


@dataclass(frozen=True, slots=True)
class Told:
    """An answer that waits, and the file it waits in."""

    path: Path
    answer: Answer
    channel: Channel
    at: str


def _folder(network_dir: Path) -> Path:
    return network_dir / "warehouse" / "answers"


def put(network_dir: Path, answer: Answer, channel: Channel = Channel.PAGE) -> Path:
    """Keep ``answer`` for the next run; on the disk when this returns."""
    at = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
    path = _folder(network_dir) / f"{at.replace(':', '')}-{secrets.token_hex(4)}.json"
    durable.write_text(path, json.dumps(
        {"channel": channel.value, "at": at, "answer": asdict(answer)}, ensure_ascii=False))
    return path


def all_waiting(network_dir: Path) -> list[Path]:
    """Files of all answers that wait, in the order in which they came."""
    return sorted(_folder(network_dir).glob("*.json"))


def waiting(network_dir: Path, site_id: str) -> list[Told]:
    """Answers of ``site_id`` that wait, in the order in which they came.

    A file that cannot be read is passed over and stays.
    """
    out = []
    for path in all_waiting(network_dir):
        try:
            found = json.loads(path.read_text(encoding="utf-8"))
            held = found["answer"]
            answer = Answer(**held | {"action": Action(held["action"]),
                                      "findings": tuple(held["findings"])})
            told = Told(path, answer, Channel(found["channel"]), str(found["at"]))
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if answer.site == site_id:
            out.append(told)
    return out


def sites_waiting(network_dir: Path) -> set[str]:
    """The sites that :func:`waiting` has answers of, or might have."""
    out = set()
    for path in all_waiting(network_dir):
        with suppress(OSError, ValueError, KeyError, TypeError):
            out.add(str(json.loads(path.read_text(encoding="utf-8"))["answer"]["site"]))
    return out


def settled(network_dir: Path, told: Iterable[Told]) -> None:
    """Take away the files of answers whose outcome is recorded."""
    for item in told:
        with suppress(OSError):
            item.path.unlink()
