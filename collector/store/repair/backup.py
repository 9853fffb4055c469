"""Backups while the collector writes, and putting one back.

A backup is one file, checked before it gets its name: a file that bears the name is whole. Restoring needs the
collector stopped, keeps the replaced database beside the new one, and sends no message of the past again.
"""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from collector.store.connection import open_read_only, snapshot, transaction
from collector.store.errors import StoreError, translated
from collector.store.files import aside_name, companion, put_in_place, remove, remove_left_over, sync
from collector.store.homelock import HomeLock
from collector.store.migrations import refuse_newer

Progress = Callable[[float], None]
"""Called with the part that is done, 0 to 1."""
_STEP_PAGES = 2_000


class RestoreResult(NamedTuple):
    replaced: Path | None
    """Where the database that stood there before is kept."""
    unconfirmed: int
    """Messages that were waiting when the backup was made: they may have gone out since, so they are not sent again."""


def backup(path: Path, target: Path, progress: Progress | None = None, *, replace: bool = False) -> int:
    """Copy the database at `path` to the new file `target`; returns its size in bytes."""
    if target.is_dir():
        raise StoreError(f"{target}: a folder; name the file to write")
    if target.exists() and (not replace or target.samefile(path)):
        raise StoreError(f"{target}: there already; name another file")
    if not target.parent.is_dir():
        raise StoreError(f"{target.parent}: no such folder")
    part = companion(target, ".part")
    try:
        _copy(path, part, progress)
        _make_single(part)
        check_whole(part)
        sync(part)
        os.replace(part, target)
        sync(target.parent)
    except OSError as error:
        raise StoreError(f"{target}: {error.strerror}") from error
    finally:
        remove_left_over(part)
    return target.stat().st_size


def restore(source: Path, path: Path, now_ms: int, progress: Progress | None = None) -> RestoreResult:
    """Make a copy of the backup `source` the database at `path`.

    Raises HomeLocked while a collector runs in the folder, StoreError for a file that is no whole backup of ours.
    """
    if path.exists() and source.exists() and source.samefile(path):
        raise StoreError(f"{source}: this is the database itself")
    part = companion(path, ".part")
    with HomeLock(path.parent):
        try:
            check_whole(source)
            _copy(source, part, progress)
            _make_single(part)
            check_whole(part)
            unconfirmed = _forget_open_messages(part, now_ms)
            aside = aside_name(path, "replaced", now_ms) if path.exists() else None
            put_in_place(part, path, aside)
        except OSError as error:
            raise StoreError(f"{path}: {error.strerror}") from error
        finally:
            remove_left_over(part)
    return RestoreResult(aside, unconfirmed)


def check_whole(path: Path) -> None:
    """Raise StoreError unless the file is an undamaged database of ours this program can read."""
    with translated(path):
        db, _note = open_read_only(path)
        with closing(db):
            refuse_newer(db, path)
            (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise StoreError(f"{path}: damaged: {' '.join(str(verdict).split())}")


def _copy(path: Path, part: Path, progress: Progress | None) -> None:
    """One state of the database, however much is written meanwhile: the copy reads inside one transaction."""

    def tell(_status: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(1.0 if total == 0 else 1 - remaining / total)

    remove(part)
    with translated(path):
        db, _note = open_read_only(path)
        with closing(db):
            refuse_newer(db, path)
            with snapshot(db):
                db.execute("SELECT count(*) FROM migrations").fetchone()  # the snapshot begins with the first read
                with translated(part), closing(sqlite3.connect(part)) as copy:
                    db.backup(copy, pages=_STEP_PAGES, progress=tell)


def _make_single(part: Path) -> None:
    """Without a WAL, so that the one file is the whole backup."""
    with translated(part), closing(sqlite3.connect(part)) as copy:
        copy.execute("PRAGMA journal_mode=DELETE").fetchone()


def _forget_open_messages(part: Path, now_ms: int) -> int:
    with translated(part), closing(sqlite3.connect(part, isolation_level=None)) as db, transaction(db):
        return db.execute(
            "UPDATE outbox SET state = 'unconfirmed', settled_ms = ?,"
            " last_error = 'waiting when the backup was made; may have been sent since'"
            " WHERE state IN ('waiting', 'sending')",
            (now_ms,),
        ).rowcount
