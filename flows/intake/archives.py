"""A zip archive of sheets: its members, one by one, within limits.

Only plain archives come here; workbooks are archives too, but of their own kind.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from pathlib import PurePosixPath

from flows.intake.containers import Limits
from shared.problems import FileTooLarge, NotASheet, ProtectedFile, UnreadableFile

_SEND = "Unpack it and send the spreadsheets inside one by one."
_CLUTTER = frozenset({"thumbs.db", "desktop.ini", ".ds_store"})


def _is_clutter(path: PurePosixPath) -> bool:
    """Files that an operating system leaves in archives of its own accord."""
    return (
        "__MACOSX" in path.parts
        or path.name.lower() in _CLUTTER
        or path.name.startswith((".", "~$"))
    )


def members_of(content: bytes, name: str, limits: Limits) -> list[tuple[str, bytes]]:
    """Name and bytes of every file in the archive, in its order.

    Raises :class:`ProtectedFile` where one asks for a password, :class:`FileTooLarge` past
    the limits on members and unpacked bytes, :class:`UnreadableFile` where the archive is
    damaged and :class:`NotASheet` where it holds no file.
    """
    found: list[tuple[str, bytes]] = []
    room = limits.decompressed
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = [
                entry
                for entry in archive.infolist()
                if not entry.is_dir() and not _is_clutter(PurePosixPath(entry.filename))
            ]
            if len(entries) > limits.sheets:
                raise FileTooLarge(
                    f"It is an archive of {len(entries)} files; at most {limits.sheets} are read.",
                    "Send an archive of the count sheets only.",
                    name,
                )
            if any(entry.flag_bits & 1 for entry in entries):
                raise ProtectedFile(
                    "It is an archive that asks for a password, so it cannot be opened here.",
                    "Send the spreadsheets inside without a password.",
                    name,
                )
            if sum(entry.file_size for entry in entries) > room:
                raise _too_large(limits, name)
            for entry in entries:
                # The size an archive states of a member may be a lie: count while unpacking.
                with archive.open(entry) as member:
                    data = member.read(room + 1)
                room -= len(data)
                if room < 0:
                    raise _too_large(limits, name)
                found.append((entry.filename, data))
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError) as error:
        if isinstance(error, UnreadableFile):
            raise
        raise UnreadableFile(
            "The archive is damaged or was cut short on its way.", _SEND, name
        ) from error
    if not found:
        raise NotASheet(
            "It is an archive with nothing in it.", "Send the spreadsheet itself.", name
        )
    return found


def _too_large(limits: Limits, name: str) -> FileTooLarge:
    return FileTooLarge(
        f"It is an archive that would unpack to more than {limits.decompressed / 1e6:,.0f} MB.",
        "Send an archive of the count sheets only, without pictures and other years.",
        name,
    )
