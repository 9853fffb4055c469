"""Reading the journal from outside the collector: the command line, the pages, exports.

Works while the collector writes, and on a read-only disk as far as SQLite allows (see `note`). Nothing here can change
the database.
"""

import sqlite3
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self, TypeVar

from collector.alarms.model import AlarmState, Event, State
from collector.domain.diary import Brew, DiaryEntry
from collector.store import diary, reading, recipients
from collector.store.connection import Connected, open_read_only, snapshot
from collector.store.errors import translated
from collector.store.migrations import refuse_other
from collector.store.reading import EventRow, Newest, ReadingRow, StoredSeries
from collector.store.recipients import Recipient
from collector.store.requests import RequestRow
from collector.store.vocabulary import EventKind

if TYPE_CHECKING:  # arrays are loaded by who asks for them: numpy takes longer than most commands
    from collector.store.columns import Columns
    from collector.store.tails import Tail

_Answer = TypeVar("_Answer")


@dataclass(frozen=True, slots=True)
class HeldAlarm:
    """An alarm that is not normal, with the words of its last entry in the history."""

    state: AlarmState
    place: str
    measure: str
    priority: str


@dataclass(frozen=True, slots=True)
class PastChange:
    """One line of the alarm history."""

    id: int
    rule: str
    series: int
    place: str
    measure: str
    priority: str
    event: Event
    before: State
    after: State
    t_ms: int
    since_ms: int | None
    raised_ms: int | None
    value: float | None
    worst: float | None
    by: str
    noticed_ms: int
    note: str = ""
    """Why it was shelved or suppressed."""
    until_ms: int | None = None
    """Until when it is shelved."""


@dataclass(frozen=True, slots=True)
class Stranger:
    """Messages from a probe the lab file does not know."""

    topic: str
    name: str
    first_ms: int
    last_ms: int
    count: int
    sample: bytes


@dataclass(frozen=True, slots=True)
class RejectedMessage:
    id: int
    t_ms: int
    topic: str
    reason: str
    first_bytes: bytes


@dataclass(frozen=True, slots=True)
class Summary:
    """An hour (`start` in ms UTC) or a local day (`start` as YYYY-MM-DD) of one series."""

    start: int | str
    series: int
    n: int
    n_good: int
    mean: float | None
    low: float | None
    high: float | None


_STATES = """SELECT s.rule, s.series, h.place, h.measure, h.priority FROM alarm_states s
    LEFT JOIN alarm_history h ON h.id =
        (SELECT max(id) FROM alarm_history WHERE rule = s.rule AND series = s.series)"""
_CHANGES = """SELECT id, rule, series, place, measure, priority, event, before, after, t_ms, since_ms, raised_ms, value,
    worst, by, noticed_ms, note, until_ms FROM alarm_history """
_HISTORY = _CHANGES + "WHERE t_ms >= ? ORDER BY t_ms DESC, id DESC LIMIT ?"
_OCCURRENCE = _CHANGES + "WHERE rule = ? AND series = ? AND t_ms >= ?3 AND raised_ms = ?3 ORDER BY id"
_OUTBOX_STATES = ("waiting", "sending", "sent", "failed", "unconfirmed")


class Reader(Connected):
    """Opens at once; raises StoreError, in one line, for what is not there, not ours, damaged or of another version."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db, self.note = open_read_only(path)
        """`note` says what cannot be seen (on a read-only disk), and is mostly empty."""
        try:
            with self._work() as db:
                refuse_other(db, path)
        except BaseException:
            self._db.close()
            raise

    @contextmanager
    def _work(self) -> Iterator[sqlite3.Connection]:
        with translated(self.path):
            yield self._db

    @contextmanager
    def snapshot(self) -> Iterator[Self]:
        """All queries of the block see one state. Keep it short: the WAL cannot be emptied meanwhile."""
        with self._work() as db, snapshot(db):
            yield self

    def series(self) -> list[StoredSeries]:
        with self._work() as db:
            return reading.series(db)

    def readings_count(self) -> int:
        with self._work() as db:
            return reading.readings_count(db)

    def newest(self, series_ids: Collection[int] | None = None) -> dict[int, Newest]:
        """The newest reading of each series that has one."""
        with self._work() as db:
            return reading.newest(db, series_ids)

    def alarms(self) -> list[HeldAlarm]:
        """Alarms in any state but normal, oldest change first."""
        with self.snapshot(), self._work() as db:
            states = reading.alarm_states(db)
            words = {(rule, number): rest for rule, number, *rest in db.execute(_STATES)}
        held = [
            HeldAlarm(state, *(word or "" for word in words[key.rule, key.series]))
            for key, state in states.items()
            if state.state is not State.NORMAL
        ]
        return sorted(held, key=lambda alarm: (alarm.state.changed_ms, alarm.state.key.rule, alarm.state.key.series))

    def history(self, since_ms: int = 0, at_most: int = 1_000) -> list[PastChange]:
        """Changes of alarms since then, newest first."""
        with self._work() as db:
            rows = db.execute(_HISTORY, (since_ms, at_most)).fetchall()
        return [_past_change(list(row)) for row in rows]

    def occurrence(self, rule: str, series: int, raised_ms: int) -> list[PastChange]:
        """What happened to one occurrence of an alarm, in the order it was recorded."""
        with self._work() as db:
            rows = db.execute(_OCCURRENCE, (rule, series, raised_ms)).fetchall()
        return [_past_change(list(row)) for row in rows]

    def outbox_counts(self) -> dict[str, int]:
        """Messages by state, every state named."""
        with self._work() as db:
            found = dict(db.execute("SELECT state, count(*) FROM outbox GROUP BY state"))
        return {state: found.get(state, 0) for state in _OUTBOX_STATES}

    def outbox_since(self, since_ms: int) -> dict[str, int]:
        """Messages by how they ended since then; those that wait, however old."""
        query = "SELECT state, count(*) FROM outbox WHERE settled_ms >= ? OR state = 'waiting' GROUP BY state"
        with self._work() as db:
            return dict(db.execute(query, (since_ms,)).fetchall())

    def recipients(self) -> list[Recipient]:
        """How each recipient fares, by channel and address."""
        with self._work() as db:
            return recipients.recipients(db)

    def unplaced(self) -> list[Stranger]:
        """What unknown probes sent, the most recent first."""
        query = "SELECT topic, name, first_ms, last_ms, count, sample FROM unplaced ORDER BY last_ms DESC, topic, name"
        with self._work() as db:
            return [Stranger(*row) for row in db.execute(query)]

    def rejected(self, at_most: int = 50) -> list[RejectedMessage]:
        """The last messages that could not be read, newest first. How many there were: Counter.REJECTED."""
        query = "SELECT id, t_ms, topic, reason, first_bytes FROM rejected ORDER BY id DESC LIMIT ?"
        with self._work() as db:
            return [RejectedMessage(*row) for row in db.execute(query, (at_most,))]

    def counters(self) -> dict[str, int]:
        with self._work() as db:
            return reading.counters(db)

    def meta(self) -> dict[str, str]:
        with self._work() as db:
            return reading.meta(db)

    def events(self, at_most: int = 100) -> list[EventRow]:
        with self._work() as db:
            return reading.events(db, at_most)

    def request(self, number: int) -> RequestRow | None:
        with self._work() as db:
            return reading.request(db, number)

    def pending_requests(self) -> list[RequestRow]:
        """What no collector has taken up yet, oldest first."""
        with self._work() as db:
            return reading.pending_requests(db)

    def diary(self, since_ms: int | None = None) -> list[DiaryEntry]:
        """What was done since then, struck entries included, in the order of its times."""
        with self._work() as db:
            return diary.entries(db, since_ms)

    def brews(self) -> list[Brew]:
        """Every brew, struck ones included, in the order of their starts."""
        with self._work() as db:
            return diary.brews(db)

    def hourly(self, since_ms: int, until_ms: int) -> list[Summary]:
        """Hours that start in the stretch. Those still due are as of the last tidying."""
        query = """SELECT hour, series, n, n_good, mean, low, high FROM hourly
            WHERE hour >= ? AND hour < ? ORDER BY hour, series"""
        with self._work() as db:
            return [Summary(*row) for row in db.execute(query, (since_ms, until_ms))]

    def daily(self, first_day: str, last_day: str) -> list[Summary]:
        """Local days (YYYY-MM-DD), both ends included."""
        query = """SELECT day, series, n, n_good, mean, low, high FROM daily
            WHERE day >= ? AND day <= ? ORDER BY day, series"""
        with self._work() as db:
            return [Summary(*row) for row in db.execute(query, (first_day, last_day))]

    def recent(self, series_ids: Collection[int], since_ms: int, until_ms: int) -> "dict[int, Tail]":
        """Readings by series as arrays, without late ones."""
        from collector.store.tails import tails

        with self._work() as db:
            return tails(db, series_ids, since_ms, until_ms)

    def link_changes(self, since_ms: int, until_ms: int) -> list[tuple[int, bool]]:
        """When the link to the broker went up (True) or down; a start or stop of the collector is down."""
        query = """SELECT t_ms, kind FROM events WHERE t_ms >= ? AND t_ms < ?
            AND kind IN (?, ?, ?, ?) ORDER BY t_ms, id"""
        kinds = (EventKind.LINK_UP, EventKind.LINK_DOWN, EventKind.STARTED, EventKind.STOPPED)
        with self._work() as db:
            found = db.execute(query, (since_ms, until_ms, *kinds)).fetchall()
        return [(t_ms, kind == EventKind.LINK_UP) for t_ms, kind in found]

    def ask(self, query: Callable[[sqlite3.Connection], _Answer]) -> _Answer:
        """What a query of another room gives, in one snapshot."""
        with self._work() as db:
            return query(db)

    def columns(self, since_ms: int, until_ms: int) -> "Iterator[Columns]":
        """Raw readings from `since_ms` on, before `until_ms`, as numpy columns in chunks."""
        from collector.store.columns import columns

        with self._work() as db:
            yield from columns(db, since_ms, until_ms)

    def span(self) -> tuple[int, int] | None:
        """Times of the first and the last reading held."""
        with self._work() as db:
            first = db.execute("SELECT t FROM readings ORDER BY id LIMIT 1").fetchone()
            last = db.execute("SELECT t FROM readings ORDER BY id DESC LIMIT 1").fetchone()
        return None if first is None or last is None else (first[0], last[0])

    def readings(
        self, since_ms: int | None = None, until_ms: int | None = None, series_ids: Collection[int] | None = None
    ) -> Iterator[ReadingRow]:
        """(series, t, value, flag, raw, why) from `since_ms` on, before `until_ms`, in the order of their times."""
        with self._work() as db:
            yield from reading.readings(db, since_ms, until_ms, series_ids)


def _past_change(row: list[Any]) -> PastChange:
    """A row in the order of _HISTORY."""
    row[6:9] = Event(row[6]), State(row[7]), State(row[8])
    return PastChange(*row)
