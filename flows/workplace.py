"""Where work is done on a network's warehouse: its own file, or this machine's copy of its lake.

Everybody who opens a network's warehouse to work on it does so here. Without a lake that is
the file in the folder. With one it is a copy on the disk that is brought up to date before
and whose changes are put into the lake after, while no other machine leads.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from flows.network_folder import load_network
from flows.secrets import STORE_SECRET, lake_password, secret
from shared.settings import Network
from warehouse.durable import make_folder
from warehouse.lake import LEAD, RECORD, Lake, Store
from warehouse.store import Warehouse


@dataclass(slots=True)
class Workplace:
    """An open warehouse, and the lake it is a copy of (None: it is no copy).

    ``touches``: slices that work here may change (None: any). To find out what has changed
    every row of these is looked at.
    """

    warehouse: Warehouse
    lake: Lake | None
    touches: Collection[str] | None = None

    def bring(self) -> None:
        """Bring what the lake has and this copy lacks."""
        if self.lake is not None:
            self.lake.check_out(self.warehouse)

    def hand_in(self) -> None:
        """Put what was done here into the lake."""
        if self.lake is not None:
            touched = self.touches
            self.lake.check_in(self.warehouse, self.lake.slices_of(self.warehouse)
                               if touched is None else touched)

    def tidy(self) -> None:
        """Let the lake forget what is long past, and keep it in few files."""
        if self.lake is not None:
            self.lake.tidy()


def lake_folder(network_dir: Path, network: Network) -> Path | None:
    """Where the lake's files are; None where they are in a store, or there is no lake."""
    settings = network.operating.lake
    if not settings.lake or settings.data.startswith("s3://"):
        return None
    return (network_dir / Path(settings.data).expanduser()).resolve()


def lake_of(network_dir: Path, network: Network, make: bool = True) -> Lake | None:
    """The network's lake, not connected yet; None where its warehouse is its own file.

    Its folder is made where it is not there, unless ``make`` is False.
    """
    settings = network.operating.lake
    if not settings.lake:
        return None
    data = lake_folder(network_dir, network)
    if data is None:
        address = urlsplit(settings.endpoint)
        store = Store(settings.key_id, secret(STORE_SECRET, settings.key_id, "s3"),
                      settings.region, address.netloc, address.scheme != "http")
        return Lake(network.id, settings.lake, f"{settings.data.rstrip('/')}/",
                    lake_password(network.id), store)
    if make and not data.is_dir():
        # What volunteers wrote is in it: nobody else's.
        make_folder(data.parent)
        data.mkdir(mode=0o700, exist_ok=True)
    return Lake(network.id, settings.lake, f"{data}/", lake_password(network.id))


def joined(warehouse: Warehouse, lake: Lake) -> None:
    """Make ``warehouse`` a copy of ``lake`` that shares the record with the others."""
    warehouse.record_turn = lambda: lake.turn(RECORD)
    lake.join(warehouse)


@contextmanager
def workplace(
    network_dir: Path, network: Network, touches: Collection[str] | None = None
) -> Iterator[Workplace]:
    """A place to work in. Raises :class:`~shared.problems.NetworkBusy` where another works.

    What was finished is put into the lake when work ends, also when it ends with an error.
    """
    lake = lake_of(network_dir, network)
    if lake is None:
        with Warehouse.open(network_dir) as warehouse:
            yield Workplace(warehouse, None)
        return
    # The turn comes first: not every shared folder keeps two machines out of one file.
    with lake, lake.turn(LEAD, 0), Warehouse.open(network_dir) as warehouse:
        joined(warehouse, lake)
        place = Workplace(warehouse, lake, touches)
        place.bring()
        try:
            yield place
        except BaseException:
            # Whole transactions are as good as after an orderly end; what failed is what counts.
            with suppress(Exception):
                place.hand_in()
            raise
        place.hand_in()


@contextmanager
def warehouse_of(
    network_dir: Path, network: Network | None = None, touches: Collection[str] | None = None
) -> Iterator[Warehouse]:
    """The warehouse to work on, as :func:`workplace` has it."""
    with workplace(network_dir, network or load_network(network_dir), touches) as place:
        yield place.warehouse
