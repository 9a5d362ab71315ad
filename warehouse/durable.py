"""Files that are there whole or not at all, whenever the machine stops.

Everything that others read is written beside its place, flushed to the disk and moved
in by one rename. What a stopped run leaves behind carries :data:`PART` in its name, so
the next start can sweep it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

PART = ".part-"
"""Start of the name of everything that is not finished."""

PERSONAL = frozenset({"warehouse", "inbox", "outbox", "backups", "lake"})
"""Folders of a network that name volunteers, hold their sheets, or say where eels are."""

_TRIES = 40
_PAUSE_SECONDS = 0.05


def flush_file(path: Path) -> None:
    """Force the bytes of ``path`` to the disk."""
    with naming(path), path.open("r+b") as handle:
        os.fsync(handle.fileno())


@contextlib.contextmanager
def naming(path: Path) -> Iterator[None]:
    """Have an error of a write or a flush say which file it was about; the system does not."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = str(path)
        raise


def move_in(finished: Path, place: Path) -> None:
    """Rename ``finished`` to ``place``, replacing a file that stands there.

    Windows refuses while a reader holds the old file open; readers hold it for
    moments, so the rename is tried again for two seconds before the error is raised.
    """
    for left in range(_TRIES, 0, -1):
        try:
            os.replace(finished, place)
            _flush_folder(place.parent)
            return
        except PermissionError:
            if left == 1:
                raise
            time.sleep(_PAUSE_SECONDS)


def _flush_folder(folder: Path) -> None:
    """Have a rename outlast a power cut, on systems where a folder must be told to."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(folder, os.O_RDONLY)
        try:
            with naming(folder):
                os.fsync(handle)
        finally:
            os.close(handle)


def make_folder(path: Path) -> None:
    """Make ``path`` and what is above it, where it is not there.

    A new folder of :data:`PERSONAL` is its owner's alone, whatever the umask; one that is there
    stays as somebody has set it. Windows has no such modes: there the folder's own list rules.
    """
    if path.is_dir():
        return
    if path.parent != path:
        make_folder(path.parent)
    path.mkdir(mode=0o700 if path.name in PERSONAL else 0o777, exist_ok=True)


def write_bytes(path: Path, content: bytes) -> None:
    """Write ``content`` to ``path``; a reader sees the old file or the new one, never a part."""
    make_folder(path.parent)
    part = path.with_name(f"{PART}{os.getpid()}-{path.name}")
    with naming(path), part.open("wb") as handle:
        handle.write(content)
        handle.flush()
        os.fsync(handle.fileno())
    move_in(part, path)


def write_text(path: Path, text: str) -> None:
    """As :func:`write_bytes`, for text: UTF-8, newlines as given."""
    write_bytes(path, text.encode("utf-8"))


def sweep(folder: Path, pattern: str = f"{PART}*") -> None:
    """Remove the unfinished files and folders that a stopped run left in ``folder``.

    Only call it while holding the warehouse's lock: an unfinished file of a run that is
    still going looks the same.
    """
    for left in folder.glob(pattern):
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                left.unlink()
