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
from pathlib import Path

PART = ".part-"
"""Start of the name of everything that is not finished."""

_TRIES = 40
_PAUSE_SECONDS = 0.05


def flush_file(path: Path) -> None:
    """Force the bytes of ``path`` to the disk."""
    with path.open("r+b") as handle:
        os.fsync(handle.fileno())


def move_in(finished: Path, place: Path) -> None:
    """Rename ``finished`` to ``place``, replacing a file that stands there.

    Windows refuses while a reader holds the old file open; readers hold it for
    moments, so the rename is tried again for two seconds before the error is raised.
    """
    for left in range(_TRIES, 0, -1):
        try:
            os.replace(finished, place)
            return
        except PermissionError:
            if left == 1:
                raise
            time.sleep(_PAUSE_SECONDS)


def write_bytes(path: Path, content: bytes) -> None:
    """Write ``content`` to ``path``; a reader sees the old file or the new one, never a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{PART}{os.getpid()}-{path.name}")
    with part.open("wb") as handle:
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
