"""What a worker does: read or judge some sites on its own copy of the lake, and hand them in.

An errand can be cut off anywhere and done again, here or by another worker: what a site comes
to is a function of what was received and decided. A site is one worker's at a time; whoever
holds its turn has lost it with the connection to the catalogue, and then neither appends to the
record nor checks anything in.
"""

from __future__ import annotations

import datetime as dt
import json
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from flows.intake.version import READER_VERSION
from flows.network_folder import load_network
from flows.watching.log import LOG
from flows.weekly import SiteOutcome, WeeklyRun, judge_version, trouble_of
from flows.workplace import joined, lake_of
from shared.identity import short_digest
from shared.problems import BadSettings, Problem, Trouble
from warehouse import record
from warehouse.lake import Lake, LakeMoved
from warehouse.migrate import known_migrations
from warehouse.slices import EVIDENCE
from warehouse.store import Warehouse, WarehouseDamaged
from warehouse.tables import dictionary_tables

_TRIES = 3


class OtherVersion(Problem, RuntimeError):
    """Leader and worker would read or judge the same sheet otherwise."""

    code = "other-version"


@dataclass(frozen=True, slots=True)
class Errand:
    """Some sites' work in one run. ``standing``: site -> what stands in its inbox."""

    run_id: str
    as_of: dt.date
    sites: tuple[str, ...]
    version: str
    standing: Mapping[str, frozenset[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Report:
    """What an errand did for one site. ``failed``: why its stage could not be done."""

    site: str
    read: int
    redone: bool
    troubles: tuple[Trouble, ...]
    failed: Trouble | None
    seconds: Mapping[str, float]


def version() -> str:
    """The same on two machines when both make the same of a sheet."""
    return short_digest(
        READER_VERSION, judge_version(), json.dumps(dictionary_tables(), sort_keys=True),
        [migration.sha256 for migration in known_migrations()])


class Hand:
    """A worker's copy of the lake and what it knows of the run under way.

    ``scratch``: where the copy is; nobody else's. It may be thrown away at any time.
    """

    def __init__(
        self, network_dir: Path, scratch: Path, say: Callable[[str], None] = lambda text: None
    ) -> None:
        self._say = say
        self._network_dir, self._place = network_dir, scratch / "tallyweir.duckdb"
        self._one_at_a_time = threading.Lock()
        self._open = ExitStack()
        self._lake: Lake | None = None
        self._run: WeeklyRun | None = None
        self._run_id = ""
        self._compared = False

    def close(self) -> None:
        """Give up the copy and the connections."""
        with self._one_at_a_time:
            self._drop()

    def read(self, errand: Errand) -> list[Report]:
        """Read what the sites sent and was not read yet."""
        return self._done(errand, "read", self._bring, lambda run, site: run.take_in(site))

    def judge(self, errand: Errand) -> list[Report]:
        """Judge and load the sites. All that was sent to any site has been read by now."""
        return self._done(errand, "judge and load", self._bring_all,
                          lambda run, site: run.judge_and_load(site))

    def _done(
        self, errand: Errand, stage: str, bring: Callable[[Errand, WeeklyRun, Lake], None],
        work: Callable[[WeeklyRun, str], object],
    ) -> list[Report]:
        if errand.version != version():
            raise OtherVersion(
                "A worker runs another version of Tallyweir than the leader of the run.",
                "Install the same version on every machine of the network, then run again.")
        with self._one_at_a_time:
            for tries_left in reversed(range(_TRIES)):
                try:
                    with self._at_work(errand) as (run, lake), _turns(lake, errand.sites):
                        bring(errand, run, lake)
                        reports = [_report(run, site, stage, work) for site in errand.sites]
                        lake.check_in(run.warehouse, errand.sites)
                        self._say(f"{stage}: {', '.join(errand.sites)}")
                        return reports
                except LakeMoved:
                    # Somebody checked a site in between our looking and our turn.
                    if not tries_left:
                        raise
        raise AssertionError("not reached")

    @contextmanager
    def _at_work(self, errand: Errand) -> Iterator[tuple[WeeklyRun, Lake]]:
        try:
            if self._run is None or self._lake is None or self._run_id != errand.run_id:
                self._drop()
                self._begin(errand)
            assert self._run is not None and self._lake is not None
            for site in errand.sites:
                self._run.outcome.sites[site] = SiteOutcome(site)
                self._run.standing_paths[site] = set(errand.standing.get(site, ()))
            yield self._run, self._lake
        except BaseException:
            # The next errand begins with connections of its own.
            self._drop()
            raise

    def _begin(self, errand: Errand) -> None:
        network = load_network(self._network_dir)
        lake = lake_of(self._network_dir, network)
        if lake is None:
            raise BadSettings("network.toml names no lake that workers could share.",
                              "Add [warehouse] with lake (docs/scale.md).",
                              str(self._network_dir))
        self._lake = self._open.enter_context(lake)
        warehouse = self._open.enter_context(self._own_copy())
        joined(warehouse, lake)
        self._run = WeeklyRun(self._network_dir, network, warehouse, errand.as_of)
        self._run_id, self._compared = errand.run_id, False

    def _own_copy(self) -> Warehouse:
        try:
            return Warehouse.open(self._network_dir, self._place)
        except WarehouseDamaged:
            LOG.warning("the worker's copy was damaged and is made again")
            for part in self._place.parent.glob(f"{self._place.name}*"):
                part.unlink()
            return Warehouse.open(self._network_dir, self._place)

    def _drop(self) -> None:
        self._lake = self._run = None
        self._open.close()
        self._open = ExitStack()

    def _bring(self, errand: Errand, run: WeeklyRun, lake: Lake) -> None:
        lake.check_out(run.warehouse, errand.sites)
        record.catch_up(run.warehouse)

    def _bring_all(self, errand: Errand, run: WeeklyRun, lake: Lake) -> None:
        self._bring(errand, run, lake)
        if not self._compared:
            # What the sites sent stays the same from here to the end of the run.
            lake.check_out(run.warehouse, groups=EVIDENCE)
            run.compare_sites()
            self._compared = True
        run.judge_only(errand.sites)


@contextmanager
def _turns(lake: Lake, sites: tuple[str, ...]) -> Iterator[None]:
    """The sites are nobody else's meanwhile. In one order for all, so that none waits in a ring."""
    with ExitStack() as held:
        for site in sorted(sites):
            held.enter_context(lake.turn(f"site {site}"))
        yield


def _report(
    run: WeeklyRun, site: str, stage: str, work: Callable[[WeeklyRun, str], object]
) -> Report:
    """Do ``work`` for the site; one that fails fails alone."""
    before = dict(run.outcome.seconds)
    failed = None
    try:
        work(run, site)
    except Exception as error:
        LOG.exception("%s failed for %s", stage, site)
        failed = trouble_of(stage, error)
    outcome = run.outcome.sites[site]
    seconds = {name: spent - before.get(name, 0.0) for name, spent in run.outcome.seconds.items()}
    return Report(site, outcome.read, outcome.redone, tuple(outcome.troubles), failed, seconds)


_hand: Hand | None = None
"""Of this process, where it is a worker."""


def take_on(hand: Hand) -> None:
    """Have this process do errands with ``hand``."""
    global _hand
    _hand = hand


def read_sites(errand: Errand) -> list[Report]:
    """The errand of the stage *read*, done in a worker's process."""
    return _own().read(errand)


def judge_sites(errand: Errand) -> list[Report]:
    """The errand of the stage *judge and load*, done in a worker's process."""
    return _own().judge(errand)


def _own() -> Hand:
    assert _hand is not None, "this process was not taken on as a worker"
    return _hand
