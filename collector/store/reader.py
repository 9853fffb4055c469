"""Reading the journal from outside the collector: the command line, the pages, exports.

Works while the collector writes, and on a read-only disk as far as SQLite allows (see `note`). Nothing here can change
the database.
"""

import sqlite3
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar

from collector.domain.diary import Brew, DiaryEntry
from collector.store import requests
from collector.store.batch import ReadingRow
from collector.store.connection import Connected, open_read_only, snapshot
from collector.store.errors import translated
from collector.store.migrations import refuse_other
from collector.store.requests import RequestRow
from collector.store.tables import alarm_rows, diary, oddity_rows, reading, recipients, series_rows
from collector.store.tables.alarm_rows import HeldAlarm, PastChange
from collector.store.tables.oddity_rows import RejectedMessage, Stranger
from collector.store.tables.reading import NewestReading
from collector.store.tables.recipients import Recipient
from collector.store.tables.rows import select
from collector.store.tables.series_rows import StoredSeries
from collector.store.vocabulary import EventKind

if TYPE_CHECKING:  # arrays are loaded by who asks for them: numpy takes longer than most commands
    from collector.store.tables.columns import Columns
    from collector.store.tables.tails import Tail

_Answer = TypeVar("_Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """An hour (`start` in ms UTC) or a local day (`start` as YYYY-MM-DD) of one series."""

    start: int | str
    series: int
    n: int
    n_good: int
    mean: float | None
    low: float | None
    high: float | None


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
            return series_rows.series(db)

    def readings_count(self) -> int:
        with self._work() as db:
            return reading.readings_count(db)

    def newest(self, series_ids: Collection[int] | None = None) -> dict[int, NewestReading]:
        """The newest reading of each series that has one."""
        with self._work() as db:
            return reading.newest(db, series_ids)

    def alarms(self) -> list[HeldAlarm]:
        """Alarms in any state but normal, oldest change first."""
        with self.snapshot(), self._work() as db:
            return alarm_rows.held_alarms(db)

    def history(self, since_ms: int = 0, at_most: int = 1_000) -> list[PastChange]:
        """Changes of alarms since then, newest first."""
        with self._work() as db:
            return alarm_rows.newest_changes(db, since_ms, at_most)

    def occurrence(self, rule: str, series: int, raised_ms: int) -> list[PastChange]:
        """What happened to one occurrence of an alarm, in the order it was recorded."""
        with self._work() as db:
            return alarm_rows.occurrence(db, rule, series, raised_ms)

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
        with self._work() as db:
            return oddity_rows.unplaced(db)

    def rejected(self, at_most: int = 50) -> list[RejectedMessage]:
        """The last messages that could not be read, newest first. How many there were: Counter.REJECTED."""
        with self._work() as db:
            return oddity_rows.rejected(db, at_most)

    def counters(self) -> dict[str, int]:
        with self._work() as db:
            return reading.counters(db)

    def meta(self) -> dict[str, str]:
        """What the journal keeps one value of, by `MetaKey`."""
        with self._work() as db:
            return reading.meta(db)

    def request(self, number: int) -> RequestRow | None:
        with self._work() as db:
            return requests.request(db, number)

    def pending_requests(self) -> list[RequestRow]:
        """What no collector has taken up yet, oldest first."""
        with self._work() as db:
            return requests.pending_requests(db)

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
        query = """SELECT hour AS start, series, n, n_good, mean, low, high FROM hourly
            WHERE hour >= ? AND hour < ? ORDER BY hour, series"""
        with self._work() as db:
            return [Summary(**row) for row in select(db, query, (since_ms, until_ms))]

    def daily(self, first_day: str, last_day: str) -> list[Summary]:
        """Local days (YYYY-MM-DD), both ends included."""
        query = """SELECT day AS start, series, n, n_good, mean, low, high FROM daily
            WHERE day >= ? AND day <= ? ORDER BY day, series"""
        with self._work() as db:
            return [Summary(**row) for row in select(db, query, (first_day, last_day))]

    def recent(self, series_ids: Collection[int], since_ms: int, until_ms: int) -> "dict[int, Tail]":
        """Readings by series as arrays, without late ones."""
        from collector.store.tables.tails import tails

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
        from collector.store.tables.columns import columns

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
        """(t, series, value, flag, raw, why) from `since_ms` on, before `until_ms`, in the order of their times."""
        with self._work() as db:
            yield from reading.readings(db, since_ms, until_ms, series_ids)
