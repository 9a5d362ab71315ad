"""The warehouse made again from raw bytes and the record, and held against the live one.

Rebuilding reads every byte received anew, lays the recorded decisions over it, judges and
loads, with no part of the live database. Both then build a release of the same day, and the
two are compared byte by byte (the DuckDB snapshot aside, whose bytes the engine never
repeats).
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from flows.weekly import WeeklyRun
from flows.workplace import warehouse_of
from shared.columnar import arriving
from shared.problems import NoRunYet
from shared.settings import Network
from warehouse import durable, record
from warehouse.folder import database_path, latest_path, releases_folder
from warehouse.receipts import verify_received
from warehouse.release import MANIFEST, build_release, read_manifest
from warehouse.snapshot import SNAPSHOT_NAME, latest_version
from warehouse.store import Warehouse, WarehouseDamaged, read_through

REPLACED = "tallyweir-replaced.duckdb"
"""Name under which a live database stays when a rebuilt one takes its place."""

DAMAGED = "tallyweir-damaged.duckdb"
"""Name under which a database that cannot be used stays when a rebuilt one takes its place."""

_AT_WORK = ".rebuilding-"


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What a rebuild found. ``differ``: files of the release that are not the same bytes."""

    files: int
    events: int
    decisions: int
    as_of: dt.date
    differ: tuple[str, ...]
    release_differs: tuple[str, ...]
    """The same against the latest release as it was published; empty too when nothing was."""
    swapped: bool = False
    had_live: bool = True
    """Whether there was a live database to compare with."""

    @property
    def equal(self) -> bool:
        """Whether the rebuilt warehouse releases the same bytes as the live one."""
        return not self.differ


def rebuild(
    network_dir: Path, network: Network, *, swap: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> Rebuilt:
    """Rebuild the warehouse of ``network_dir`` and compare it with the live one.

    ``swap``: put the rebuilt database in the live one's place, in one rename, if they are
    equal or there is no live one that can be used; the live one stays beside it. Raises
    :class:`NoRunYet` when the record holds nothing, :class:`~warehouse.receipts.ReceivedDamaged`
    when a received file is not what it was, and without ``swap``
    :class:`~warehouse.store.WarehouseDamaged`.
    """
    if not database_path(network_dir).is_file():
        _something_received(network_dir)
    try:
        return _rebuild(network_dir, network, swap, progress)
    except WarehouseDamaged:
        if not swap:
            raise
        _set_aside(network_dir)
        return _rebuild(network_dir, network, swap, progress)


def _something_received(network_dir: Path) -> None:
    if not record.read(network_dir)["receipt"]:
        raise NoRunYet("The record holds nothing to rebuild from.",
                       f"Do `tallyweir run {network_dir}` first.", str(network_dir))


def _set_aside(network_dir: Path) -> None:
    """Put a database that cannot be used, and its log, out of the way."""
    target = database_path(network_dir)
    for ending in (".wal", ""):
        place = target.with_name(target.name + ending)
        if place.exists():
            durable.move_in(place, target.with_name(DAMAGED + ending))


def _rebuild(
    network_dir: Path, network: Network, swap: bool, progress: Callable[[str], None]
) -> Rebuilt:
    # Of a lake there is always a copy to be had.
    had_live = bool(network.operating.lake.lake) or database_path(network_dir).is_file()
    work = network_dir / "warehouse" / f"{_AT_WORK}{os.getpid()}"
    with warehouse_of(network_dir, network) as live:
        durable.sweep(network_dir / "warehouse", f"{_AT_WORK}*")
        if swap:
            # One that is damaged where nothing here reads it must not be what stays.
            read_through(live.connection)
        record.catch_up(live)
        _something_received(network_dir)
        verify_received(network_dir)
        as_of = _last_run(live)
        work.mkdir(parents=True, exist_ok=True)
        try:
            place = work / "tallyweir.duckdb"
            with Warehouse.open(network_dir, place) as made:
                made.record_turn = live.record_turn
                run = WeeklyRun(network_dir, network, made, as_of)
                run.tell_copies_apart()
                for number, site in enumerate(network.sites, start=1):
                    progress(f"read: {number} of {len(network.sites)} sites")
                    run.take_in(site)
                run.compare_sites()
                for number, site in enumerate(network.sites, start=1):
                    progress(f"judge and load: {number} of {len(network.sites)} sites")
                    with made.transaction():
                        run.load_with(site)
                progress("compare")
                files, events, known = _tally(made)
                theirs = _release(live, network, as_of, work / "live")
                ours = _release(made, network, as_of, work / "made")
                differ = _differing(ours, theirs) if had_live else ()
                against = _against_published(made, network, network_dir, work / "published")
                swapped = swap and (not had_live or not differ)
                if swapped and had_live:
                    _carry_over(live, made)
                made.connection.execute("CHECKPOINT")
            if swapped:
                durable.flush_file(place)
        except BaseException:
            shutil.rmtree(work, ignore_errors=True)
            raise
    # Both are closed here: no file is renamed under a database that is open.
    try:
        if swapped:
            _swap(network_dir, place)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return Rebuilt(files, events, known, as_of, differ, against, swapped, had_live)


def _last_run(live: Warehouse) -> dt.date:
    """The day that the live warehouse was last judged by, else of the last thing received."""
    found = live.connection.execute(
        "SELECT coalesce((SELECT max(loaded) FROM site_state), "
        "(SELECT max(received) FROM receipts))").fetchone()
    assert found is not None and found[0] is not None
    day: dt.date = found[0]
    return day


def _tally(made: Warehouse) -> tuple[int, int, int]:
    found = made.connection.execute(
        "SELECT (SELECT count(*) FROM files), (SELECT count(*) FROM clean_events), "
        "(SELECT count(*) FROM decisions)").fetchone()
    assert found is not None
    return int(found[0]), int(found[1]), int(found[2])


def _release(warehouse: Warehouse, network: Network, as_of: dt.date, folder: Path) -> Path:
    folder.mkdir(parents=True)
    return build_release(warehouse, network, as_of, folder).path


def _against_published(
    made: Warehouse, network: Network, network_dir: Path, folder: Path
) -> tuple[str, ...]:
    """Files of the latest published release that the rebuilt warehouse would not repeat."""
    version = latest_version(network_dir)
    manifest = read_manifest(releases_folder(network_dir) / version) if version else {}
    if version is None or not manifest:
        return ()
    there = releases_folder(folder)
    previous = manifest.get("previous")
    for path in releases_folder(network_dir).iterdir():
        if path.is_dir() and not path.name.startswith(".") and path.name != version:
            whole = path.name == previous
            (there / path.name).mkdir(parents=True)
            for name in path.iterdir():
                if whole or name.name == MANIFEST:
                    shutil.copy2(name, there / path.name / name.name)
    if previous:
        durable.write_text(latest_path(folder), str(previous) + "\n")
    there.mkdir(parents=True, exist_ok=True)
    built = build_release(made, network, dt.date.fromisoformat(manifest["as_of"]), folder)
    return _differing(built.path, releases_folder(network_dir) / version)


def _differing(one: Path, other: Path) -> tuple[str, ...]:
    names = {path.name for side in (one, other) for path in side.iterdir()} - {SNAPSHOT_NAME}
    return tuple(sorted(name for name in names if not _same(one / name, other / name)))


def _same(one: Path, other: Path) -> bool:
    if not (one.is_file() and other.is_file()):
        return False
    if one.name == MANIFEST:
        # The snapshot's own hash, where a manifest has one, is not the rows'.
        a, b = (json.loads(path.read_text(encoding="utf-8")) for path in (one, other))
        return bool(a == b)
    return one.read_bytes() == other.read_bytes()


_DONE = ("runs", "arrivals", "sources", "source_troubles", "letters", "activities")
"""Tables of what was done and not of what was counted: no rebuild knows them. What was sent,
told and returned is in the record besides."""

_NOT_NUMBERED = ("returns", "serious_told")
"""Tables that the record has, but for the lines without number from before it had them."""


def _carry_over(live: Warehouse, made: Warehouse) -> None:
    """What was fetched, told and sent, so that it is not fetched, told and sent again."""
    with made.transaction() as connection:
        for name in (*_DONE, *_NOT_NUMBERED):
            only = " WHERE seq IS NULL" if name in _NOT_NUMBERED else ""
            carried = live.connection.execute(f"FROM {name}{only}").to_arrow_table()
            with arriving(connection, carried) as these:
                connection.execute(f"INSERT INTO {name} BY NAME FROM {these}")


def _swap(network_dir: Path, place: Path) -> None:
    target = database_path(network_dir)
    if target.is_file():
        # Copied and not moved: there is no moment without a database.
        part = target.with_name(f"{durable.PART}{REPLACED}")
        shutil.copyfile(target, part)
        durable.move_in(part, target.with_name(REPLACED))
    durable.move_in(place, target)
