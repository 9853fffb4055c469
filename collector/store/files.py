"""The database as files on a disk: its companions, a fresh copy put in place of it, and names for what is set aside."""

import os
import shutil
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

COMPANIONS = ("-wal", "-shm")
MAP_SUFFIX = ".map"
"""Of the file that says where its tables begin, see `table_map`."""


def companion(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def stamp(now_ms: int) -> str:
    """'20260302T080000Z', for file names."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=now_ms)).strftime("%Y%m%dT%H%M%SZ")


def aside_name(path: Path, why: str, now_ms: int) -> Path:
    """A free name beside `path`: traywarden.db.damaged-20260302T080000Z."""
    wanted = companion(path, f".{why}-{stamp(now_ms)}")
    n = 1
    while wanted.exists():
        n += 1
        wanted = companion(path, f".{why}-{stamp(now_ms)}-{n}")
    return wanted


def put_in_place(fresh: Path, path: Path, aside: Path | None) -> None:
    """Make `fresh` the database at `path`, keeping what stood there as `aside` with its WAL.

    The old WAL goes first: SQLite would play it into the new file. The swap itself is one rename, so that there is a
    database under `path` at every moment.
    """
    sync(fresh)
    if path.exists() and aside is not None:
        wal = companion(path, "-wal")
        if wal.exists() and wal.stat().st_size > 0:
            os.replace(wal, companion(aside, "-wal"))
        # The shared index is made anew from the WAL by whoever opens it.
        companion(path, "-shm").unlink(missing_ok=True)
        try:
            os.link(path, aside)
        except OSError:  # a disk without hard links
            shutil.copy2(path, aside)
    os.replace(fresh, path)
    sync(path.parent)


def remove(path: Path) -> None:
    """A database of ours that is not wanted any more, with its companions; no error where there is none."""
    for name in (path, *(companion(path, suffix) for suffix in (*COMPANIONS, MAP_SUFFIX))):
        name.unlink(missing_ok=True)


def remove_left_over(path: Path) -> None:
    """What is left of an unfinished copy; where even that cannot go, the error that came first is the one to tell."""
    with suppress(OSError):
        remove(path)


def sync(path: Path) -> None:
    """See that a file, or the names in a folder, are on the disk."""
    fd = os.open(path, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
