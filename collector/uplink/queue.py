"""What the uplink still has to send, and has sent: its own connection, each step one short transaction.

Readings are followed in the order of their keys up to a stored position. What comes in at or below the position
afterwards (late readings), and every change of an alarm, of the diary or of a brew, is put on a list in the transaction
that stores it, so that neither a crash nor an order of arrival can lose it. Sending something twice does no harm: it
has the same key at the other end.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from collector.domain.diary import Brew, DiaryEntry
from collector.domain.readings import FUTURE_TOLERANCE_MS
from collector.store.connection import Connected, open_existing, snapshot, transaction
from collector.store.errors import translated
from collector.store.migrations import SERIES_BITS, SERIES_MASK, refuse_other
from collector.store.reader import Reader
from collector.store.tables import alarm_rows, diary, series_rows, writing
from collector.store.tables.alarm_rows import PastChange
from collector.store.tables.rows import insert
from collector.store.tables.series_rows import StoredSeries
from collector.store.vocabulary import Counter

ASIDE_KEPT = 1_000
_BUSY_S = 10.0
_REASON_KEPT, _LINE_KEPT = 500, 2_000
"""Characters."""
_READINGS = "SELECT id, value, flag, raw FROM readings WHERE id > ? AND id <= ? ORDER BY id LIMIT ?"
_LATE = """SELECT r.id, r.value, r.flag, r.raw FROM uplink_due d JOIN readings r ON r.id = d.id
    WHERE d.kind = 'reading' ORDER BY d.id LIMIT ?"""
_DUE = "SELECT id, n FROM uplink_due WHERE kind = ? ORDER BY id LIMIT ?"
_ASIDE = insert("uplink_aside", ("at_ms", "reason", "line"))
_NOTHING_SENT = -(2**62)
"""The position before anything was sent."""
_BEGIN = insert("uplink", ("one", "position", "note"), "INSERT OR IGNORE")
_ASIDE_BOUND = "DELETE FROM uplink_aside WHERE id <= (SELECT max(id) FROM uplink_aside) - ?"


class SentReading(NamedTuple):
    """One reading as it goes out."""

    t_ms: int
    series: int
    value: float | None
    flag: int
    raw: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Portion:
    """What goes out next, and the marks by which `done` knows it again."""

    readings: tuple[SentReading, ...] = ()
    alarms: tuple[PastChange, ...] = ()
    diary: tuple[DiaryEntry, ...] = ()
    brews: tuple[Brew, ...] = ()
    after: int = 0
    """Position before; `upto` is the one after it. Both 0 where no reading moves it."""
    upto: int = 0
    in_order: int = 0
    """So many of the readings, the last ones, lie between these two."""
    due: tuple[tuple[str, int, int], ...] = ()
    """(kind, id, n) of what was on the list."""

    @property
    def size(self) -> int:
        return len(self.readings) + len(self.alarms) + len(self.diary) + len(self.brews)

    @property
    def empty(self) -> bool:
        return not (self.readings or self.alarms or self.diary or self.brews or self.due)


class UplinkStore(Connected):
    """Raises JournalStalled while the database cannot be used."""

    def __init__(self, path: Path, busy_s: float = _BUSY_S) -> None:
        self.path = path
        with translated(path):
            self._db = open_existing(path, busy_s)
        try:
            with translated(path):
                refuse_other(self._db, path)
                self._begin()
        except BaseException:
            self._db.close()
            raise

    def _begin(self) -> None:
        """The first time: from the journal's beginning, with all that is there."""
        if self._db.execute("SELECT 1 FROM uplink").fetchone() is not None:
            return
        with transaction(self._db):
            self._db.execute(_BEGIN, {"one": 1, "position": _NOTHING_SENT, "note": ""})
            for kind, table in (("alarm", "alarm_history"), ("diary", "diary"), ("brew", "brews")):
                self._db.execute(f"INSERT OR IGNORE INTO uplink_due(kind, id, n) SELECT '{kind}', id, 1 FROM {table}")  # noqa: S608 - own names

    def series(self) -> dict[int, StoredSeries]:
        with translated(self.path):
            return {stored.id: stored for stored in series_rows.series(self._db)}

    def take(self, now_ms: int, at_most: int) -> Portion:
        """The next portion: changes, late readings, and the readings after the position, in their order. They go
        together, so that a line which is refused stands beside others that are taken.

        Readings stamped beyond the present stay until their time has come, so that one wrong clock does not move the
        position past all others.
        """
        with translated(self.path), snapshot(self._db):
            changes = self._changes(at_most)
            late = self._late(max(0, at_most - changes.size))
            new = self._next(now_ms, max(0, at_most - changes.size - late.size))
        return replace(
            changes,
            readings=late.readings + new.readings,
            due=changes.due + late.due,
            after=new.after,
            upto=new.upto,
            in_order=len(new.readings),
        )

    def _changes(self, at_most: int) -> Portion:
        due = {kind: self._db.execute(_DUE, (kind, at_most)).fetchall() for kind in ("alarm", "diary", "brew")}
        if not any(due.values()):
            return Portion()
        marks = tuple((kind, number, n) for kind, rows in due.items() for number, n in rows)
        wanted = {kind: {number for number, _ in rows} for kind, rows in due.items()}
        return Portion(
            alarms=tuple(alarm_rows.changes_numbered(self._db, wanted["alarm"])),
            diary=tuple(entry for entry in diary.entries(self._db) if entry.id in wanted["diary"]),
            brews=tuple(brew for brew in diary.brews(self._db) if brew.id in wanted["brew"]),
            due=marks,
        )

    def _late(self, at_most: int) -> Portion:
        marks = self._db.execute(_DUE, ("reading", at_most)).fetchall()
        if not marks:
            return Portion()
        rows = self._db.execute(_LATE, (at_most,)).fetchall()
        return Portion(readings=_readings(rows), due=tuple(("reading", number, n) for number, n in marks))

    def _next(self, now_ms: int, at_most: int) -> Portion:
        position = self._position()
        rows = self._db.execute(_READINGS, (position, _limit(now_ms), at_most)).fetchall()
        return Portion(readings=_readings(rows), after=position, upto=rows[-1][0]) if rows else Portion()

    def _position(self) -> int:
        return int(self._db.execute("SELECT position FROM uplink").fetchone()[0])

    def done(self, portion: Portion, refused: Sequence[tuple[str, str]], now_ms: int) -> bool:
        """It has arrived, but for the lines (reason, line) that the other end will never take, which are set aside to
        be looked at. False where readings came in between meanwhile: nothing has moved, take it again."""
        with translated(self.path), transaction(self._db):
            if portion.upto:
                query = "SELECT count(*) FROM readings WHERE id > ? AND id <= ?"
                (there,) = self._db.execute(query, (portion.after, portion.upto)).fetchone()
                if there > portion.in_order:
                    return False
                self._db.execute("UPDATE uplink SET position = ?", (portion.upto,))
            self._db.executemany("DELETE FROM uplink_due WHERE kind = ? AND id = ? AND n = ?", portion.due)
            if refused:
                self._set_aside(refused, now_ms)
        return True

    def _set_aside(self, refused: Sequence[tuple[str, str]], now_ms: int) -> None:
        """(reason, line) of each; the newest are kept."""
        rows = [{"at_ms": now_ms, "reason": why[:_REASON_KEPT], "line": line[:_LINE_KEPT]} for why, line in refused]
        self._db.executemany(_ASIDE, rows)
        self._db.execute(_ASIDE_BOUND, (ASIDE_KEPT,))
        writing.counts(self._db, {Counter.UPLINK_ASIDE: len(rows)})

    def note(self, text: str) -> None:
        """What stands in the way at present, for `status`; empty where nothing does."""
        with translated(self.path), transaction(self._db):
            self._db.execute("UPDATE uplink SET note = ? WHERE note <> ?", (text, text))


def _limit(now_ms: int) -> int:
    return (now_ms + FUTURE_TOLERANCE_MS) << SERIES_BITS | SERIES_MASK


def _readings(rows: Sequence[Any]) -> tuple[SentReading, ...]:
    return tuple(SentReading(n >> SERIES_BITS, n & SERIES_MASK, value, flag, raw) for n, value, flag, raw in rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class UplinkState:
    """How far the uplink is, for `status`."""

    sent_until_ms: int | None
    """Time of the last reading it has sent in order; None where none yet."""
    newest_ms: int | None
    """Time of the newest reading it will send."""
    waiting: int
    """Readings and changes still to send; counted to COUNTED at most."""
    aside: int
    """Lines ever set aside."""
    reasons: tuple[str, ...]
    """Why the newest of them were, each once."""
    note: str
    """What stands in the way at present."""

    @property
    def lag_s(self) -> int:
        """How old the oldest reading is that waits, against the newest."""
        if self.newest_ms is None or not self.waiting:
            return 0
        sent_ms = self.newest_ms if self.sent_until_ms is None else self.sent_until_ms
        return max(0, self.newest_ms - sent_ms) // 1000


COUNTED = 100_000


class Changes(NamedTuple):
    alarms: tuple[PastChange, ...]
    diary: tuple[DiaryEntry, ...]
    brews: tuple[Brew, ...]


def changes(reader: Reader, since_ms: int, until_ms: int) -> Changes:
    """Changes of alarms, diary entries and brews of a stretch, as an uplink sends them."""
    return reader.ask(lambda db: _changes_between(db, since_ms, until_ms))


def _changes_between(db: sqlite3.Connection, since_ms: int, until_ms: int) -> Changes:
    """Those whose time is from `since_ms` on and before `until_ms`; brews that started then."""
    return Changes(
        alarms=tuple(alarm_rows.changes_between(db, since_ms, until_ms)),
        diary=tuple(entry for entry in diary.entries(db, since_ms) if entry.t_ms < until_ms),
        brews=tuple(brew for brew in diary.brews(db) if since_ms <= brew.started_ms < until_ms),
    )


def uplink_state(reader: Reader, now_ms: int) -> UplinkState | None:
    """How far the uplink is; None where none was ever set up."""
    return reader.ask(lambda db: _state(db, now_ms))


def _state(db: sqlite3.Connection, now_ms: int) -> UplinkState | None:
    """None where no uplink was ever set up. Readings stamped beyond the present do not count: their time is to come."""
    found = db.execute("SELECT position, note FROM uplink").fetchone()
    if found is None:
        return None
    position, note = found
    (waiting,) = db.execute(
        "SELECT count(*) FROM (SELECT 1 FROM readings WHERE id > ? AND id <= ? LIMIT ?)",
        (position, _limit(now_ms), COUNTED),
    ).fetchone()
    (due,) = db.execute("SELECT count(*) FROM uplink_due").fetchone()
    aside = db.execute("SELECT value FROM counters WHERE name = ?", (Counter.UPLINK_ASIDE,)).fetchone()
    reasons = db.execute("SELECT DISTINCT reason FROM uplink_aside ORDER BY id DESC LIMIT 3").fetchall()
    newest = db.execute("SELECT t FROM readings WHERE id <= ? ORDER BY id DESC LIMIT 1", (_limit(now_ms),)).fetchone()
    return UplinkState(
        sent_until_ms=position >> SERIES_BITS if position > _NOTHING_SENT else None,
        newest_ms=newest[0] if newest is not None else None,
        waiting=min(waiting + due, COUNTED),
        aside=aside[0] if aside is not None else 0,
        reasons=tuple(row[0] for row in reasons),
        note=note,
    )
