"""One round of collecting over every source of the network."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from flows.collecting.mailbox import Answerable, look_into_mailbox
from flows.collecting.published import ask_address
from flows.collecting.synced_folder import look_into
from shared.problems import Trouble
from shared.settings import Network
from warehouse import arrivals
from warehouse.store import Warehouse


@dataclass(slots=True)
class Collected:
    """What a round came to."""

    taken: list[tuple[str, str]] = field(default_factory=list)
    """(site, path in the inbox), in the order taken."""
    waiting: list[tuple[str, str]] = field(default_factory=list)
    """(site, name) of files that were still arriving."""
    to_answer: list[Answerable] = field(default_factory=list)
    bounces: list[str] = field(default_factory=list)
    troubles: list[tuple[str, Trouble]] = field(default_factory=list)
    """(site, or empty for the coordinator, and what stood in the way)."""

    def sentence(self) -> str:
        """The round in a line."""
        parts = [f"{len(self.taken)} new" if self.taken else "nothing new"]
        if self.waiting:
            parts.append(f"{len(self.waiting)} still arriving")
        if self.troubles:
            parts.append(f"{len(self.troubles)} in trouble")
        return ", ".join(parts)


def collect_round(
    warehouse: Warehouse, network: Network, now: dt.datetime,
    pause: Callable[[float], object] = time.sleep,
) -> Collected:
    """Ask every source once; ``now`` is naive UTC. What fails is told, and the others go on."""
    settings = network.operating.collect
    found = Collected()
    for site, sources in settings.sites.items():
        if sources.folder:
            folder = warehouse.network_dir / Path(sources.folder).expanduser()
            looked = look_into(warehouse, site, folder, now, settings.settle_seconds,
                               int(settings.megabytes * 1e6))
            found.taken += [(site, path) for path in looked.taken]
            found.waiting += [(site, name) for name in looked.waiting]
            found.troubles += [
                ("" if trouble.code == "folder-missing" else site, trouble)
                for trouble in looked.troubles]
        for url in sources.urls:
            answer = ask_address(warehouse, site, url, settings, now, pause,
                                 one_of_several=len(sources.urls) > 1)
            if isinstance(answer, Trouble):
                found.troubles.append(("", answer))
            elif answer is not None:
                found.taken.append((site, answer))
    if settings.mailbox is not None:
        mail = look_into_mailbox(warehouse, network.operating, now)
        found.taken += mail.taken
        found.to_answer += mail.to_answer
        found.bounces += mail.bounces
        found.troubles += [("", trouble) for trouble in mail.troubles]
    arrivals.replace_troubles(warehouse, found.troubles)
    return found
