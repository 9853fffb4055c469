"""Connections to the journal's file: how each kind is opened, and transactions as blocks.

Page size 1024: what wears an SD card out is the number of 4 KiB blocks a commit dirties, and a commit of a few readings
changes one or two pages. Measured at 24 readings a minute with a commit every 10 s, 1024 writes a quarter less than
4096; large batches are no slower to speak of.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import quote

from collector.store.errors import StoreError, primary_code, translated

APPLICATION_ID = 0x54524159
"""'TRAY' in the header of the file marks it as ours."""
PAGE_BYTES = 1024
_AUTOCHECKPOINT_PAGES = 4 * 1024 * 1024 // PAGE_BYTES
_WAL_KEPT_BYTES = 8 * 1024 * 1024
_BUSY_S = 5.0


class Connected:
    """Holds one connection to the journal, and gives it back at the end of a `with` block."""

    _db: sqlite3.Connection

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()


def open_writer(path: Path) -> sqlite3.Connection:
    """The collector's connection; makes the file where there is none. WAL, every commit on the disk when it returns."""
    db = sqlite3.connect(path, isolation_level=None, timeout=_BUSY_S, check_same_thread=False)
    try:
        known_as_ours(db, path)
        for pragma in (
            f"PRAGMA page_size={PAGE_BYTES}",
            "PRAGMA journal_mode=WAL",
            "PRAGMA synchronous=FULL",
            f"PRAGMA wal_autocheckpoint={_AUTOCHECKPOINT_PAGES}",
            f"PRAGMA journal_size_limit={_WAL_KEPT_BYTES}",
            "PRAGMA temp_store=MEMORY",
            "PRAGMA secure_delete=OFF",
        ):
            db.execute(pragma)
    except BaseException:
        db.close()
        raise
    return db


def open_existing(path: Path, busy_s: float = _BUSY_S) -> sqlite3.Connection:
    """A second writing connection (outbox, requests); never makes the file."""
    must_be_there(path)
    db = _opened(path, "mode=rw", busy_s)
    db.execute("PRAGMA synchronous=FULL")
    return db


def open_read_only(path: Path) -> tuple[sqlite3.Connection, str]:
    """A connection that cannot write, and a note on what it cannot see (mostly empty).

    On a read-only disk SQLite cannot make the shared index a WAL needs; the file is then read as it stands. What the
    collector wrote after its last checkpoint is missing from that view, which the note says.
    """
    must_be_there(path)
    with translated(path):
        try:
            return _opened(path, "mode=ro"), ""
        except sqlite3.OperationalError as error:
            if primary_code(error) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                raise
        wal = path.with_name(path.name + "-wal")
        behind = wal.exists() and wal.stat().st_size > 0
        note = f"{path}: the disk is read-only; the newest readings, still in {wal.name}, cannot be shown"
        return _opened(path, "mode=ro&immutable=1"), note if behind else ""


def open_as_it_is(path: Path, options: str, busy_s: float = _BUSY_S) -> sqlite3.Connection:
    """A connection to an existing file, whatever it holds; `options` as in SQLite's URIs."""
    uri = f"file:{quote(str(path.absolute()))}?{options}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=busy_s, check_same_thread=False)


def _opened(path: Path, options: str, busy_s: float = _BUSY_S) -> sqlite3.Connection:
    db = open_as_it_is(path, options, busy_s)
    try:
        if not known_as_ours(db, path):
            raise StoreError(f"{path}: empty; 'traywarden watch' fills it")
    except BaseException:
        db.close()
        raise
    return db


def must_be_there(path: Path) -> None:
    try:
        there = path.is_file()
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}") from error
    if not there:
        raise StoreError(f"{path}: not there; 'traywarden watch' makes it")


def known_as_ours(db: sqlite3.Connection, path: Path) -> bool:
    """True for a journal of ours, False for an empty new file. Another program's database is refused."""
    (mark,) = db.execute("PRAGMA application_id").fetchone()
    tables = db.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone() is not None
    if mark == APPLICATION_ID:
        return True
    if tables or mark != 0:
        raise StoreError(f"{path}: a database of another program, left alone")
    return False


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All of the block or nothing of it. Takes the write lock at once, so that it never has to give up half way."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        # After a full disk SQLite has often rolled back by itself.
        with suppress(sqlite3.Error):
            if db.in_transaction:
                db.execute("ROLLBACK")
        raise


@contextmanager
def snapshot(db: sqlite3.Connection) -> Iterator[None]:
    """Several queries on one state of the database."""
    if db.in_transaction:
        yield
        return
    db.execute("BEGIN")
    try:
        yield
    finally:
        with suppress(sqlite3.Error):
            db.execute("COMMIT")
