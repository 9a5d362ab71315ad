"""A folder that a file-sync program keeps in step with a volunteer's own.

Such a program writes under a passing name, or writes in place while we look; it leaves a
second copy when two people edited at once; it may show a name whose bytes are not here yet.
A file is taken when it has been left alone for a while and is whole.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import re
import zipfile
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from flows.collecting.putting_in import SHEETS, keep_aside, put_in
from flows.network_folder import passing
from shared.problems import Trouble
from warehouse import arrivals
from warehouse.arrivals import Arrival, SourceState
from warehouse.store import Warehouse

PATIENCE = dt.timedelta(hours=24)
"""How long a file may be arriving before somebody is told."""

_CONFLICT = re.compile(
    r"""(?ix)
    (?P<before>.+?)
    (?: \s* \( [^()]* \b(?:conflict|conflicted|conflicting)\b [^()]* \)
      | [._-] (?:sync-)?conflict [-_]? [0-9]{6,8} [-_0-9a-z]*
      | \s+ (?:-\s+)? conflict (?:ed)? \s copy \b .* )
    (?P<ending>\.[a-z]{2,5})$""")

_ZIPPED = frozenset({".xlsx", ".xlsm", ".xlsb", ".ods", ".zip"})


@dataclass(slots=True)
class FolderRound:
    """What a look into one folder came to."""

    taken: list[str] = field(default_factory=list)
    """Paths in the inbox."""
    waiting: list[str] = field(default_factory=list)
    """Names of files that were still arriving."""
    troubles: list[Trouble] = field(default_factory=list)


def conflict_of(name: str) -> str | None:
    """The name of the file that ``name`` is a conflict copy of, None when it is none."""
    found = _CONFLICT.fullmatch(name)
    return found["before"].rstrip(" ._-") + found["ending"] if found else None


def whole(name: str, content: bytes) -> bool:
    """Whether ``content`` can be a finished file: not empty, and a workbook has its end.

    A text file has no end to look for; that it is left alone has to do.
    """
    if not content or not content.strip(b"\0"):
        # Some programs lay a file out in zeros first and fill it in later.
        return False
    if PurePosixPath(name).suffix.lower() in _ZIPPED and content.startswith(b"PK"):
        try:
            with zipfile.ZipFile(io.BytesIO(content)) as archive:
                return bool(archive.namelist())
        except (zipfile.BadZipFile, OSError, ValueError):
            return False
    return True


def look_into(
    warehouse: Warehouse, site: str, folder: Path, now: dt.datetime, settle_seconds: float,
    most_bytes: int,
) -> FolderRound:
    """Take what is new in ``folder`` into the inbox of ``site``. ``now`` is naive UTC."""
    found = FolderRound()
    try:
        entries = sorted((path for path in folder.rglob("*")
                          if path.is_file() and not path.is_symlink()),
                         key=lambda path: path.relative_to(folder).as_posix())
        if not folder.is_dir():
            raise FileNotFoundError(2, "No such folder")
    except OSError as error:
        found.troubles.append(Trouble(
            "folder-missing", f"The folder that brings this site's sheets cannot be read "
            f"({error.strerror or error}).",
            "See that the drive is connected and the sync program runs; the path stands in "
            "network.toml.", str(folder)))
        return found
    names = {path.relative_to(folder).as_posix() for path in entries}
    for path in entries:
        name = path.relative_to(folder).as_posix()
        if passing(path.name) or path.suffix.lower() not in SHEETS:
            continue
        if name != (sayable := name.encode("utf-8", "replace").decode("utf-8")):
            found.troubles.append(Trouble(
                "file-name", "Its name holds letters that this system cannot read.",
                "Give it a plain name, as in counts-2026.xlsx.", sayable))
            continue
        _one(warehouse, site, path, name, names, now, settle_seconds, most_bytes, found)
    return found


def _one(
    warehouse: Warehouse, site: str, path: Path, name: str, names: set[str], now: dt.datetime,
    settle_seconds: float, most_bytes: int, found: FolderRound,
) -> None:
    try:
        before = path.stat()
    except OSError:
        return  # taken away while we looked
    known = arrivals.source_state(warehouse, site, f"folder:{name}")
    marks = {"size": before.st_size, "modified": before.st_mtime_ns}
    if known is not None and known.sha256 and dict(known.mark) == marks:
        return
    if before.st_size > most_bytes:
        found.troubles.append(Trouble(
            "file-too-large", f"It has {before.st_size / 1e6:.0f} MB, more than a sheet can.",
            "Send the sheet alone, without pictures; or raise megabytes in [collect].", name))
        return
    try:
        content = path.read_bytes()
        after = path.stat()
    except OSError as error:
        found.troubles.append(Trouble(
            "file-unopened", f"It cannot be opened ({error.strerror or error}).",
            "Close it where it is open; the next round tries again.", name))
        return
    moved = (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns)
    # The modified time travels with the file; the change time is when it landed here.
    stirred = dt.datetime.fromtimestamp(max(after.st_mtime, after.st_ctime), dt.UTC)
    age = now - stirred.replace(tzinfo=None)
    settled = age >= dt.timedelta(seconds=settle_seconds) or age < -PATIENCE
    if moved or not settled or not whole(name, content):
        found.waiting.append(name)
        first = known.mark.get("waiting since") if known is not None else None
        since = dt.datetime.fromisoformat(first) if isinstance(first, str) else now
        arrivals.remember_source(warehouse, site, f"folder:{name}", SourceState(
            "", {"waiting since": since.isoformat()}, now))
        if now - since >= PATIENCE:
            found.troubles.append(Trouble(
                "file-half-written", "For a day now only a part of it has arrived.",
                "Open it where it was written and save it again, then see that the sync "
                "program reports all done.", name))
        return
    sha256 = hashlib.sha256(content).hexdigest()
    original = conflict_of(path.name)
    if original is not None:
        _conflict(warehouse, site, path, name, original, names, content, now, found)
        return
    if known is None or known.sha256 != sha256:
        found.taken.append(put_in(warehouse, site, name, content, "folder", name, "", now))
    arrivals.remember_source(warehouse, site, f"folder:{name}",
                             SourceState(sha256, marks, now))


def _conflict(
    warehouse: Warehouse, site: str, path: Path, name: str, original: str, names: set[str],
    content: bytes, now: dt.datetime, found: FolderRound,
) -> None:
    """A second version of a sheet: kept, told, and not taken for counts by guess."""
    beside = path.with_name(original)
    try:
        same = beside.is_file() and beside.read_bytes() == content
    except OSError:
        same = False
    if same:
        return
    if not beside.is_file():
        # Somebody settled it by deleting the other one; this is the sheet now.
        folder = PurePosixPath(name).parent
        source = f"folder:{name}"
        known = arrivals.source_state(warehouse, site, source)
        sha256 = hashlib.sha256(content).hexdigest()
        if known is None or known.sha256 != sha256:
            found.taken.append(put_in(warehouse, site, (folder / original).as_posix(), content,
                                      "folder", name, "", now))
            arrivals.remember_source(warehouse, site, source, SourceState(sha256, {}, now))
        return
    sha256 = keep_aside(warehouse.network_dir, content)
    source = f"folder:{name}"
    known = arrivals.source_state(warehouse, site, source)
    if known is None or known.mark.get("aside") != sha256:
        arrivals.record_arrival(warehouse, Arrival(
            site, "", sha256, "folder", name, "", now, "a conflict copy, kept aside"))
        arrivals.remember_source(warehouse, site, source,
                                 SourceState("", {"aside": sha256}, now))
    found.troubles.append(Trouble(
        "conflict-copy", f'Two people saved "{original}" at once, and the sync program kept '
        "both. We use the one with the plain name; this one is kept and not counted.",
        f'Open both, copy what is missing into "{original}", and delete this one.', name))
