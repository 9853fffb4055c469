"""What SQL could not reach in a damaged journal: rows read from its pages, added to what is salvaged.

A table is followed from the page its map names, so that only rows that count are taken: a page that was given up keeps
its bytes, and an old copy of a message or an alarm must not come back. Readings never change; they are also taken from
every page that looks like one of theirs, which finds them where the way to a page is lost.
"""

import sqlite3
from collections.abc import Collection, Iterable
from contextlib import suppress
from mmap import ACCESS_READ, mmap
from pathlib import Path
from typing import NamedTuple

from collector.domain.readings import FUTURE_TOLERANCE_MS, Flag
from collector.store.connection import PAGE_BYTES, transaction
from collector.store.files import companion
from collector.store.migrations import SERIES_BITS, SERIES_MASK
from collector.store.repair.carve import Carved, FilePages, Value, pages_of
from collector.store.repair.table_map import TableMap, kept_map
from collector.store.vocabulary import MetaKey

_READINGS = TableMap(name="readings", root=0, rowid="id", stored=("id", "value", "flag", "raw", "why"))
_FLAGS = frozenset(int(flag) for flag in Flag)
_MOST_LOG = 256 * 1024 * 1024
"""Bytes of a write-ahead log that are looked at; ours is emptied at 8 MB."""


class KeptStretch(NamedTuple):
    """Times that readings may have, in ms: from `since` on, up to `until`."""

    since: int
    until: int


def kept_stretch(new: sqlite3.Connection, now_ms: int) -> KeptStretch:
    """From where readings were kept: what retention deleted stays deleted."""
    found = new.execute("SELECT value FROM meta WHERE name = ?", (MetaKey.HORIZON_MS,)).fetchone()
    return KeptStretch(int(found[0]) if found is not None else 0, now_ms + FUTURE_TOLERANCE_MS)


def carve_missing(damaged: Path, new: sqlite3.Connection, tables: Collection[str], now_ms: int) -> set[str]:
    """Add what the pages hold of `tables`; those of which no page is missing are returned. `damaged` is only read."""
    found = kept_map(damaged)
    maps = {table.name: table for table in found.tables} if found is not None else {}
    with damaged.open("rb") as file:
        data: bytes | mmap = mmap(file.fileno(), 0, access=ACCESS_READ) if damaged.stat().st_size else b""
    pages = pages_of(data, found.page_size if found is not None else PAGE_BYTES, _log_of(damaged))
    whole = set()
    for table in sorted(tables, key=lambda name: name == "readings"):  # last, once it is known from when on they count
        at, kept = maps.get(table), kept_stretch(new, now_ms)
        if at is not None and _follow(pages, new, at, kept):
            whole.add(table)
        elif table == "readings":
            _gather(pages, new, kept)
    return whole


def _log_of(damaged: Path) -> bytes:
    log = companion(damaged, "-wal")
    try:
        with log.open("rb") as file:
            return file.read(_MOST_LOG)
    except OSError:
        return b""


def _follow(pages: FilePages, new: sqlite3.Connection, at: TableMap, kept: KeptStretch) -> bool:
    """Whether every page and row of the table could be read."""
    pages.unreadable.clear()
    before = pages.bad_cells
    rows = pages.rows(at.root)
    _put(new, at, (row for row in rows if at.name != "readings" or _is_reading(row, kept)))
    return not pages.unreadable and pages.bad_cells == before


def _gather(pages: FilePages, new: sqlite3.Connection, kept: KeptStretch) -> None:
    rows = (row for number in pages.leaves() for row in pages.leaf_rows(number))
    _put(new, _READINGS, (row for row in rows if _is_reading(row, kept)))


def _is_reading(row: Carved, kept: KeptStretch) -> bool:
    """By what stands in it: no other table of ours has five such values and such a number."""
    if row.rowid is None or len(row.values) != 5:
        return False
    number, value, flag, raw, why = row.values
    times = kept.since <= row.rowid >> SERIES_BITS <= kept.until and row.rowid & SERIES_MASK
    quality = number is None and flag in _FLAGS and isinstance(why, int) and why >= 0
    return bool(times) and quality and isinstance(value, _NUMBER) and isinstance(raw, _NUMBER)


_NUMBER = (int, float, type(None))


def _put(new: sqlite3.Connection, at: TableMap, rows: Iterable[Carved]) -> None:
    """What is there already stays; a row that does not fit the table is left out."""
    columns = {str(row[1]) for row in new.execute(f'PRAGMA table_info("{at.name}")')}
    with transaction(new):
        for row in rows:
            named = {name: value for name, value in at.named(row).items() if name in columns}
            _insert(new, at.name, named)


def _insert(new: sqlite3.Connection, table: str, named: dict[str, Value]) -> None:
    names, marks = ", ".join(f'"{name}"' for name in named), ", ".join("?" * len(named))
    query = f'INSERT INTO "{table}"({names}) VALUES({marks}) ON CONFLICT DO NOTHING'
    with suppress(sqlite3.IntegrityError, OverflowError):  # a value that the table does not take
        new.execute(query, tuple(named.values()))
