"""Queries shared by the collector's own connection and by read-only ones, each returning values."""

import json
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from collector.alarms.model import AlarmKey, AlarmState, State
from collector.domain.lab import Series
from collector.store.connection import snapshot
from collector.store.localdays import HOUR_MS
from collector.store.migrations import SERIES_BITS
from collector.store.requests import RequestRow, reply_of, request_of
from collector.store.vocabulary import Counter


@dataclass(frozen=True, slots=True)
class StoredSeries:
    """A series as the journal knows it; `bin` and `tray` are empty where the place is none."""

    id: int
    probe: str
    channel: str
    measure: str
    place: str
    bin: str
    tray: str
    unit: str

    def as_series(self) -> Series:
        return Series(
            id=self.id, probe=self.probe, channel=self.channel, measure=self.measure, place=self.place, unit=self.unit
        )


@dataclass(frozen=True, slots=True)
class Newest:
    """The newest reading of a series, late ones included: when its probe was last heard."""

    series: int
    t_ms: int
    value: float | None
    flag: int
    why: int


@dataclass(frozen=True, slots=True)
class EventRow:
    t_ms: int
    kind: str
    detail: str


_SERIES = "SELECT id, probe, channel, measure, place, bin, tray, unit FROM series ORDER BY id"
_STATES = """SELECT rule, series, state, active, deadline_ms, since_ms, raised_ms, changed_ms, worst, acked_ms,
    shelved_until_ms, shelved_by, reason, out_by, cause FROM alarm_states"""
_NEWEST_IN = """SELECT series, max(t), value, flag, why FROM readings WHERE id >= ? AND id < ? GROUP BY series"""
_REQUEST = "SELECT id, kind, body, at_ms, done_ms, result FROM requests WHERE "
_RANGE = """SELECT id, series, t, value, flag, raw, why FROM readings
    WHERE id > ? AND id < ? AND (?3 IS NULL OR series IN (SELECT value FROM json_each(?3))) ORDER BY id LIMIT ?"""
_CHUNK = 5_000


def series(db: sqlite3.Connection) -> list[StoredSeries]:
    return [StoredSeries(*row) for row in db.execute(_SERIES)]


def alarm_states(db: sqlite3.Connection) -> dict[AlarmKey, AlarmState]:
    found = {}
    for rule, number, state, active, *rest in db.execute(_STATES):
        key = AlarmKey(rule, number)
        found[key] = AlarmState(key, State(state), bool(active), *rest)
    return found


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


def newest(db: sqlite3.Connection, only: Collection[int] | None = None) -> dict[int, Newest]:
    """The newest reading of each series (of those asked for): `latest`, and the due hours it does not cover yet."""
    with snapshot(db):
        asked = {row[0] for row in db.execute("SELECT id FROM series")} if only is None else set(only)
        found = {
            row[0]: Newest(*row)
            for row in db.execute("SELECT series, t, value, flag, why FROM latest")
            if row[0] in asked
        }
        due = db.execute("SELECT start FROM rollup_due WHERE kind = 'hour' ORDER BY start DESC").fetchall()
        open_ = set(asked)
        for (start,) in due:
            # A series is settled once something newer than the start of every hour still to come is known of it.
            open_ -= {number for number in open_ if number in found and found[number].t_ms >= start + HOUR_MS}
            if not open_:
                break
            for row in db.execute(_NEWEST_IN, (start << SERIES_BITS, (start + HOUR_MS) << SERIES_BITS)):
                if row[0] in asked and (row[0] not in found or found[row[0]].t_ms <= row[1]):
                    found[row[0]] = Newest(*row)
    return found


def counters(db: sqlite3.Connection) -> dict[str, int]:
    return dict(db.execute("SELECT name, value FROM counters WHERE name <> ?", (Counter.HELD,)))


def meta(db: sqlite3.Connection) -> dict[str, str]:
    return dict(db.execute("SELECT name, value FROM meta"))


def events(db: sqlite3.Connection, at_most: int) -> list[EventRow]:
    """The newest events, newest first."""
    rows = db.execute("SELECT t_ms, kind, detail FROM events ORDER BY id DESC LIMIT ?", (at_most,))
    return [EventRow(*row) for row in rows]


def pending_requests(db: sqlite3.Connection) -> list[RequestRow]:
    """Requests nobody has taken up yet, oldest first."""
    return [_request(*row) for row in db.execute(_REQUEST + "done_ms IS NULL ORDER BY id")]


def request(db: sqlite3.Connection, number: int) -> RequestRow | None:
    row = db.execute(_REQUEST + "id = ?", (number,)).fetchone()
    return None if row is None else _request(*row)


def _request(id: int, kind: str, body: str, at_ms: int, done_ms: int | None, result: str | None) -> RequestRow:
    """In the order of _REQUEST."""
    return RequestRow(
        id=id,
        request=request_of(kind, body),
        at_ms=at_ms,
        done_ms=done_ms,
        reply=None if result is None else reply_of(result),
    )


ReadingRow = tuple[int, int, float | None, int, float | None, int]
"""series, t, value, flag, raw, why"""


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
