"""A backup of a network's folder in one file, taken while anything may go on in it.

The database is copied as it would be found after a power cut, which its engine is made to open
again: the log first and then the file, and only if no checkpoint fell in between. Then it is
opened and looked at. Received bytes and releases never change once they stand; they are copied
after the database, so that whatever it names is there.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
import os
import shutil
import tarfile
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import duckdb

from shared.problems import Problem
from warehouse.durable import PART, make_folder
from warehouse.folder import database_path
from warehouse.receipts import ReceivedDamaged
from warehouse.store import WarehouseDamaged, read_through, told

MANIFEST = "backup.json"
_HEADERS_BYTES = 3 * 4096
"""DuckDB's main header and its two database headers: a checkpoint rewrites one of them."""
_TRIES = 50
_TRIES_DAMAGED = 3
"""Copies between two checkpoints that are damaged alike: then so is the database."""
_PAUSE_SECONDS = 0.2
_KEEPS_ITSELF = frozenset({"prefect", "schedule.json"})
"""What in ``warehouse/`` belongs to the machine, not to the network."""
_RECEIVED = "warehouse/received/"


class BackupFailed(Problem, RuntimeError):
    """No backup could be taken, or one cannot be used."""

    code = "backup-failed"


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was taken and looked at: its file, number of files, bytes within."""

    path: Path
    files: int
    size: int
    damaged: tuple[str, ...] = ()
    """Received files in it that are no longer what they were when they came."""

    def of_sound_files(self) -> Backup:
        """Itself. Raises :class:`ReceivedDamaged` that names the files that are not sound."""
        if self.damaged:
            raise ReceivedDamaged(
                f"The backup {self.path.name} was taken, but {len(self.damaged)} of the files "
                f"kept as received {'is' if len(self.damaged) == 1 else 'are'} altered: "
                f"{', '.join(self.damaged[:10])}.",
                "Put them back from an older backup (none is removed meanwhile), or put the same "
                "sheet into the site's inbox again and run.", self.damaged[0])
        return self


def back_up(network_dir: Path, to: Path, network_id: str, now: dt.datetime) -> Backup:
    """Take a backup into the folder ``to``; ``now`` is naive UTC. Returns it, verified.

    Raises :class:`BackupFailed` when the database cannot be copied whole, and
    :class:`WarehouseDamaged` when it is not whole itself.
    """
    if not to.is_dir():
        make_folder(to.parent)
        to.mkdir(mode=0o700)
    place = to / f"{network_id or 'network'}-{now:%Y%m%dT%H%M%SZ}.tar.gz"
    part = to / f"{PART}{os.getpid()}-{place.name}"
    manifest: dict[str, Any] = {"network": network_id, "taken": now.isoformat(), "files": {}}
    try:
        # It holds every sheet and the key of the private links, wherever it is put.
        part.touch(mode=0o600)
        with tempfile.TemporaryDirectory(prefix=".copying-", dir=to) as scratch, tarfile.open(
                part, "w:gz", compresslevel=3) as archive:
            for copied in _copy_database(network_dir, Path(scratch)):
                _add(archive, copied, f"warehouse/{copied.name}", manifest)
            for path, name in _other_files(network_dir, to):
                try:
                    _add(archive, path, name, manifest)
                except FileNotFoundError:
                    continue  # taken away while we looked; nothing names it any more
            text = json.dumps(manifest, indent=1).encode("utf-8")
            entry = tarfile.TarInfo(MANIFEST)
            entry.size, entry.mtime = len(text), int(now.replace(tzinfo=dt.UTC).timestamp())
            archive.addfile(entry, io.BytesIO(text))
        _verify(part)
        with part.open("r+b") as handle:
            os.fsync(handle.fileno())
        os.replace(part, place)
    finally:
        part.unlink(missing_ok=True)
    sizes = [size for size, _ in manifest["files"].values()]
    damaged = tuple(
        name for name, (_, sha256) in manifest["files"].items()
        if name.startswith(_RECEIVED) and PurePosixPath(name).name != sha256)
    return Backup(place, len(sizes), sum(sizes), damaged)


def prune(to: Path, network_id: str, keep: int) -> list[Path]:
    """Remove the oldest backups beyond ``keep``; what was removed."""
    found = sorted(to.glob(f"{network_id or 'network'}-????????T??????Z.tar.gz"))
    old = found[:-keep]
    for path in old:
        path.unlink()
    return old


def restore(backup: Path, network_dir: Path) -> int:
    """Put a backup into ``network_dir``, which must be new or empty. Returns the files.

    The folder appears whole or not at all, and is its owner's alone. Raises
    :class:`BackupFailed` when it is in the way or the backup is not what was taken.
    """
    if network_dir.exists() and (not network_dir.is_dir() or any(network_dir.iterdir())):
        raise BackupFailed(
            f"{network_dir} is there already and not empty; a backup is never put over it.",
            "Name a new folder, look at it, and move it into place.")
    network_dir.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{network_dir.name}-", dir=network_dir.parent))
    try:
        files = _verify(backup, made)
        if network_dir.exists():
            network_dir.rmdir()
        os.replace(made, network_dir)
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return files


def _add(archive: tarfile.TarFile, path: Path, name: str, manifest: dict[str, Any]) -> None:
    content = path.read_bytes()
    entry = tarfile.TarInfo(name)
    entry.size, entry.mtime, entry.mode = len(content), int(path.stat().st_mtime), 0o644
    archive.addfile(entry, io.BytesIO(content))
    manifest["files"][name] = [len(content), hashlib.sha256(content).hexdigest()]


def _other_files(network_dir: Path, to: Path) -> Iterator[tuple[Path, str]]:
    """Everything but the database, the pointer to the latest release before the releases."""
    database = database_path(network_dir)
    latest = network_dir / "releases" / "latest"
    if latest.is_file():
        yield latest, "releases/latest"
    for root, folders, names in os.walk(network_dir):
        here = Path(root)
        inside = here.relative_to(network_dir)
        folders[:] = sorted(
            name for name in folders
            if not name.startswith(".") and (here / name).resolve() != to.resolve()
            and not (inside == Path("warehouse") and name in _KEEPS_ITSELF))
        for name in sorted(names):
            path = here / name
            skip = (name.startswith(".") or path in (database, latest) or path.is_symlink()
                    or name.startswith(database.name)
                    or (inside == Path("warehouse") and (
                        name in _KEEPS_ITSELF or name.startswith("tallyweir.log")
                        or name.endswith(".turn"))))
            if not skip:
                yield path, (inside / name).as_posix()


def _copy_database(network_dir: Path, scratch: Path) -> list[Path]:
    """A copy of the database and its log that opens as it would after a power cut."""
    database = database_path(network_dir)
    if not database.exists():
        return []
    log = database.with_name(database.name + ".wal")
    said = ""
    problem: Problem | None = None
    damaged = 0
    for attempt in range(_TRIES):
        if damaged == _TRIES_DAMAGED:
            break
        if attempt:
            time.sleep(_PAUSE_SECONDS)
        try:
            before = _headers(database)
            # The log first: what it names in the file had been written when it was.
            copied_log = _copy(log, scratch)
            copied = _copy(database, scratch)
            if _headers(database) != before:
                said = "it was being written"
                continue
        except OSError as error:
            said = error.strerror or str(error)
            continue
        assert copied is not None
        failed = _opens(copied)
        if failed is None:
            # Opening has taken the log into the file.
            return [copied]
        said, problem = str(failed).splitlines()[0], told(failed, str(database))
        damaged += isinstance(problem, WarehouseDamaged)
        copied.unlink()
        if copied_log is not None:
            copied_log.unlink(missing_ok=True)
    if isinstance(problem, WarehouseDamaged):
        raise problem
    raise BackupFailed(
        f"The database could not be copied whole ({said}).",
        "Take the backup while no run is on; the one before this still stands.", str(database))


def _headers(database: Path) -> bytes:
    with database.open("rb") as handle:
        return handle.read(_HEADERS_BYTES)


def _copy(path: Path, scratch: Path) -> Path | None:
    try:
        return Path(shutil.copyfile(path, scratch / path.name))
    except FileNotFoundError:
        if path.suffix == ".wal":
            return None
        raise


def _opens(copied: Path) -> duckdb.Error | None:
    """Why the copy cannot be used; None when every table of it can be read."""
    try:
        with duckdb.connect(str(copied)) as connection:
            read_through(connection)
            connection.execute("CHECKPOINT")
    except duckdb.Error as error:
        return error
    return None


def _stays_inside(name: str) -> bool:
    """Whether a name leads nowhere but below its folder, on whatever system it is put back."""
    return all(not path.anchor and not path.drive and ".." not in path.parts
               for path in (PurePosixPath(name), PureWindowsPath(name)))


def _verify(backup: Path, into: Path | None = None) -> int:
    """Read the whole backup against its manifest, and lay it out in ``into`` if given."""
    found: dict[str, list[Any]] = {}
    manifest: dict[str, Any] | None = None
    try:
        with tarfile.open(backup, "r:gz") as archive:
            for entry in archive:
                name = PurePosixPath(entry.name)
                if not entry.isfile() or not _stays_inside(entry.name):
                    raise BackupFailed(f'It holds "{entry.name}", which no backup of ours does.',
                                       "Use a backup that Tallyweir took.", str(backup))
                handle = archive.extractfile(entry)
                content = handle.read() if handle is not None else b""
                if entry.name == MANIFEST:
                    manifest = json.loads(content)
                    continue
                found[entry.name] = [len(content), hashlib.sha256(content).hexdigest()]
                if into is not None:
                    place = into.joinpath(*name.parts)
                    place.parent.mkdir(parents=True, exist_ok=True)
                    place.write_bytes(content)
    except (tarfile.TarError, EOFError, OSError, ValueError) as error:
        if isinstance(error, (Problem, FileNotFoundError)):
            raise
        raise BackupFailed(f"It cannot be read to its end ({error}).",
                           "Use another backup; a part of this one is missing or damaged.",
                           str(backup)) from error
    if manifest is None or manifest.get("files") != found:
        raise BackupFailed("What it holds is not what was put into it.",
                           "Use another backup.", str(backup))
    return len(found)
