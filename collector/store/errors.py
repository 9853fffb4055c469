"""What can go wrong with the journal, sorted by what the catcher does next.

StoreError          say the one line and stop (file not there, of another program, newer than this one, lock held)
  JournalStalled    nothing was stored: keep the batch, acknowledge nothing, try the same batch again later
  JournalCutOff     nothing was stored, all before it is safe: close and open again, then it can go on
  JournalDamaged    the file is broken: set it aside, salvage what can be read, go on with a new one
  HomeLocked        another process works in this home folder
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class StoreError(Exception):
    """Something about the store that a person can put right; the text is one line that says what."""


class JournalStalled(StoreError):
    """The journal cannot be written just now. `reason` is a few words for people: 'the disk is full'."""

    def __init__(self, path: Path, reason: str) -> None:
        self.reason = reason
        super().__init__(f"{path}: {reason}")


class JournalCutOff(StoreError):
    """A companion of the file was taken away while it was open: what is written now would be found by nobody."""

    def __init__(self, path: Path, reason: str) -> None:
        self.reason = reason
        super().__init__(f"{path}: {reason}")


class JournalDamaged(StoreError):
    """The file is not a readable database any more."""

    def __init__(self, path: Path, reason: str) -> None:
        self.reason = reason
        super().__init__(f"{path}: {reason}")


class HomeLocked(StoreError):
    """A collector, or a restore, is at work in the same home folder."""


_STALLED = {
    sqlite3.SQLITE_FULL: "the disk is full",
    sqlite3.SQLITE_READONLY: "the file or the disk is read-only",
    sqlite3.SQLITE_IOERR: "the disk reports an input/output error",
    sqlite3.SQLITE_BUSY: "another program has held the database locked for too long",
    sqlite3.SQLITE_LOCKED: "another program has held the database locked for too long",
    sqlite3.SQLITE_CANTOPEN: "the file cannot be opened",
    sqlite3.SQLITE_PERM: "the file cannot be opened",
    sqlite3.SQLITE_NOMEM: "the machine is out of memory",
}
_DAMAGED = {
    sqlite3.SQLITE_CORRUPT: "the database is damaged",
    sqlite3.SQLITE_NOTADB: "this is not a database, or its first page is damaged",
}
_FULL_BELOW_BYTES = 256 * 1024


def primary_code(error: sqlite3.Error) -> int:
    """SQLite's primary result code, 0 where the error comes from the Python layer."""
    code: int = getattr(error, "sqlite_errorcode", 0)
    return code & 0xFF


def translate(path: Path, error: sqlite3.Error) -> StoreError | None:
    """The error as one of ours, or None where it is a mistake in the program and must be seen as it is."""
    code = primary_code(error)
    if code in _DAMAGED:
        return JournalDamaged(path, _DAMAGED[code])
    if code == sqlite3.SQLITE_IOERR and _no_room(path):
        # The shared index of the WAL cannot grow on a full disk, which SQLite reports as an I/O error.
        code = sqlite3.SQLITE_FULL
    if code == sqlite3.SQLITE_CANTOPEN and path.parent.is_dir() and not os.access(path.parent, os.W_OK):
        # On a read-only disk it is mostly the WAL that cannot be made.
        code = sqlite3.SQLITE_READONLY
    if code in _STALLED:
        return JournalStalled(path, _STALLED[code])
    return None


def _no_room(path: Path) -> bool:
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return False
    return disk.f_bavail * disk.f_frsize < _FULL_BELOW_BYTES


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Raise SQLite's errors as ours inside the block."""
    try:
        yield
    except sqlite3.Error as error:
        ours = translate(path, error)
        if ours is None:
            raise
        raise ours from error
