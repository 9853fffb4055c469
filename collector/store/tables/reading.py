"""Queries shared by the collector's own connection and by read-only ones, each returning values."""

import json
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from collector.store.batch import ReadingRow
from collector.store.connection import snapshot
from collector.store.localdays import HOUR_MS
from collector.store.migrations import SERIES_BITS
from collector.store.tables.rows import select
from collector.store.vocabulary import Counter


@dataclass(frozen=True, slots=True, kw_only=True)
class NewestReading:
    """The newest reading of a series, late ones included: when its probe was last heard."""

    series: int
    t_ms: int
    value: float | None
    flag: int
    why: int


_LATEST = "SELECT series, t AS t_ms, value, flag, why FROM latest"
_NEWEST_IN = """
    SELECT series, max(t) AS t_ms, value, flag, why FROM readings WHERE id >= ? AND id < ? GROUP BY series"""
# By position, in the order of ReadingRow, after the key by which the next chunk goes on.
_RANGE = """SELECT id, t, series, value, flag, raw, why FROM readings
    WHERE id > ? AND id < ? AND (?3 IS NULL OR series IN (SELECT value FROM json_each(?3))) ORDER BY id LIMIT ?"""
_CHUNK = 5_000


def readings_count(db: sqlite3.Connection) -> int:
    """How many readings are held: the kept count plus what the due hours gained since, so quick at any size."""
    with snapshot(db):
        row = db.execute("SELECT value FROM counters WHERE name = ?", (Counter.HELD,)).fetchone()
        total: int = 0 if row is None else row[0]
        for start, before in db.execute("SELECT start, before FROM rollup_due WHERE kind = 'hour'").fetchall():
            ids = start << SERIES_BITS, (start + HOUR_MS) << SERIES_BITS
            (now,) = db.execute("SELECT count(*) FROM readings WHERE id >= ? AND id < ?", ids).fetchone()
            total += now - before
    return total


def newest(db: sqlite3.Connection, only: Collection[int] | None = None) -> dict[int, NewestReading]:
    """The newest reading of each series (of those asked for): `latest`, and the due hours it does not cover yet."""
    with snapshot(db):
        asked = {row[0] for row in db.execute("SELECT id FROM series")} if only is None else set(only)
        stored = (NewestReading(**row) for row in select(db, _LATEST))
        found = {newest.series: newest for newest in stored if newest.series in asked}
        due = db.execute("SELECT start FROM rollup_due WHERE kind = 'hour' ORDER BY start DESC").fetchall()
        open_ = set(asked)
        for (start,) in due:
            # A series is settled once something newer than the start of every hour still to come is known of it.
            open_ -= {number for number in open_ if number in found and found[number].t_ms >= start + HOUR_MS}
            if not open_:
                break
            for row in select(db, _NEWEST_IN, (start << SERIES_BITS, (start + HOUR_MS) << SERIES_BITS)):
                newest = NewestReading(**row)
                if newest.series in asked and (newest.series not in found or found[newest.series].t_ms <= newest.t_ms):
                    found[newest.series] = newest
    return found


def counters(db: sqlite3.Connection) -> dict[str, int]:
    return dict(db.execute("SELECT name, value FROM counters WHERE name <> ?", (Counter.HELD,)))


def meta(db: sqlite3.Connection) -> dict[str, str]:
    return dict(db.execute("SELECT name, value FROM meta"))


def readings(
    db: sqlite3.Connection,
    since_ms: int | None,
    until_ms: int | None,
    only: Collection[int] | None = None,
) -> Iterator[ReadingRow]:
    """Readings from `since_ms` on, before `until_ms`, in the order of their times.

    Read in chunks with nothing held open between them, so that a long export does not keep the WAL from being emptied.
    """
    after = -(1 << 63) if since_ms is None else (since_ms << SERIES_BITS) - 1
    before = (1 << 63) - 1 if until_ms is None else until_ms << SERIES_BITS
    wanted = None if only is None else json.dumps(sorted(only))
    while True:
        rows = db.execute(_RANGE, (after, before, wanted, _CHUNK)).fetchall()
        for row in rows:
            yield row[1:]
        if len(rows) < _CHUNK:
            return
        after = rows[-1][0]
