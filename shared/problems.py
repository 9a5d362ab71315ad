"""What can go wrong with a file, a folder or a setting, told to a person.

A :class:`Problem` is data: a stable code, a sentence that says what is the
matter, and a sentence that says what to do. Only the command line prints them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trouble:
    """A problem as a value, fit to be stored and shown in status and messages."""

    code: str
    what: str
    remedy: str
    where: str = ""

    def sentence(self) -> str:
        """One paragraph for a person: where, what is the matter, what to do."""
        place = f"{self.where}: " if self.where else ""
        return f"{place}{self.what} {self.remedy}".strip()


class Problem(Exception):
    """Base of everything Tallyweir raises for a person to act on."""

    code = "problem"

    def __init__(self, what: str, remedy: str, where: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy
        self.where = where

    def __reduce__(self) -> tuple[object, ...]:
        # Exceptions rebuild from args, which hold one of our three; workers must get all.
        return (type(self), (self.what, self.remedy, self.where))

    @property
    def trouble(self) -> Trouble:
        """The problem as a plain value."""
        return Trouble(self.code, self.what, self.remedy, self.where)

    def __str__(self) -> str:
        return self.trouble.sentence()


class UnreadableFile(Problem, ValueError):
    """The bytes are not a sheet we can read."""

    code = "file-unreadable"


class ProtectedFile(UnreadableFile):
    """The workbook asks for a password."""

    code = "file-protected"


class EmptyFile(UnreadableFile):
    """The file, or every sheet in it, holds nothing."""

    code = "file-empty"


class NotASheet(UnreadableFile):
    """The file is of another kind (a PDF, a photo) whatever its name says."""

    code = "file-not-a-sheet"


class FileTooLarge(UnreadableFile):
    """The file goes past a limit on size, sheets, cells or decompressed bytes."""

    code = "file-too-large"


class NothingRecognised(Problem, ValueError):
    """The file was read, but no sheet in it looks like counts or water readings."""

    code = "nothing-recognised"


class BadSettings(Problem, ValueError):
    """network.toml (or a protocol) says something we cannot act on."""

    code = "settings"


class NoSuchNetwork(Problem, FileNotFoundError):
    """The folder named on the command line is not a network's folder."""

    code = "no-network"


class NoRunYet(Problem, LookupError):
    """What was asked for exists only after a first run."""

    code = "no-run-yet"


class NetworkBusy(Problem, RuntimeError):
    """Another run is writing to this network's warehouse."""

    code = "network-busy"


class RowsUnaccounted(Problem, AssertionError):
    """Rows in are not rows loaded + held + skipped: the run refuses to go on for the site."""

    code = "rows-unaccounted"
