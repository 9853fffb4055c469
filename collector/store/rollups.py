"""Hourly and daily summaries, always computed anew from the readings they cover, so that late readings count.

A commit only marks the hours and days it touched as due; `Rollups.settle` computes them every few minutes and brings
`latest` and the count of readings up to date in the same transaction. So a reader that looks at the summaries and at
the due hours sees everything.

n is every reading kept, n_good those flagged pass or not evaluated that have a value; mean, low and high are over the
good ones. A summary is never replaced by one of fewer readings: that could only come from readings that were deleted
or lost.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from collector.store.connection import transaction
from collector.store.localdays import HOUR_MS, Day, LocalDays
from collector.store.migrations import SERIES_BITS
from collector.store.tables.rows import insert
from collector.store.vocabulary import Counter, MetaKey

_COUNT = "SELECT count(*) FROM readings WHERE id >= ? AND id < ?"
_ADD_COUNT = insert(
    "counters", ("name", "value"), on_conflict="ON CONFLICT(name) DO UPDATE SET value = value + excluded.value"
)
_META = insert("meta", ("name", "value"), "INSERT OR REPLACE")
_DUE = insert("rollup_due", ("kind", "start", "before"))
_HOURLY = """
    INSERT INTO hourly(hour, series, n, n_good, mean, low, high)
    SELECT ?, series, count(*), count(good), avg(good), min(good), max(good)
    FROM (SELECT series, CASE WHEN flag <= 2 THEN value END AS good FROM readings WHERE id >= ? AND id < ?)
    WHERE true GROUP BY series
    ON CONFLICT(hour, series) DO UPDATE SET n = excluded.n, n_good = excluded.n_good, mean = excluded.mean,
        low = excluded.low, high = excluded.high WHERE excluded.n >= hourly.n"""
_DAILY = """
    INSERT INTO daily(day, series, n, n_good, mean, low, high)
    SELECT ?, series, count(*), count(good), avg(good), min(good), max(good)
    FROM (SELECT series, CASE WHEN flag <= 2 THEN value END AS good FROM readings WHERE id >= ? AND id < ?)
    WHERE true GROUP BY series
    ON CONFLICT(day, series) DO UPDATE SET n = excluded.n, n_good = excluded.n_good, mean = excluded.mean,
        low = excluded.low, high = excluded.high WHERE excluded.n >= daily.n"""
_LATEST = """
    INSERT INTO latest(series, t, value, flag, why)
    SELECT series, max(t), value, flag, why FROM readings WHERE id >= ? AND id < ? GROUP BY series
    ON CONFLICT(series) DO UPDATE SET t = excluded.t, value = excluded.value, flag = excluded.flag, why = excluded.why
        WHERE excluded.t >= latest.t"""


class TidyResult(NamedTuple):
    hours: int
    days: int
    left: int
    """Still due: call again when there is time (after a long backlog)."""


class Marks(NamedTuple):
    """Hours and days a batch touches that are not marked due yet."""

    hours: list[int]
    days: list[int]


class Rollups:
    """What is due, held in memory beside the table so that an ordinary commit has nothing to mark."""

    def __init__(self, db: sqlite3.Connection, days: LocalDays) -> None:
        self._db = db
        self._local = days
        self._hours: set[int] = set()
        self._days: set[int] = set()
        self._settled_in_hour: dict[int, int] = {}
        self.horizon_ms: int | None = None
        """Readings before this local midnight are deleted or being deleted; None: retention never ran."""
        self.kept_days: int | None = None
        """How many days were to be kept when it was set."""
        self._load()

    def _load(self) -> None:
        """What is due; after a change of the lab's time zone, every day anew."""
        for kind, start in self._db.execute("SELECT kind, start FROM rollup_due"):
            (self._hours if kind == "hour" else self._days).add(start)
        wanted = (MetaKey.HORIZON_MS, MetaKey.HORIZON_DAYS, MetaKey.TIME_ZONE)
        meta = dict(self._db.execute("SELECT name, value FROM meta WHERE name IN (?, ?, ?)", wanted))
        self.horizon_ms = int(meta[MetaKey.HORIZON_MS]) if MetaKey.HORIZON_MS in meta else None
        self.kept_days = int(meta[MetaKey.HORIZON_DAYS]) if MetaKey.HORIZON_DAYS in meta else None
        if meta.get(MetaKey.TIME_ZONE) != self._local.time_zone:
            self._rezone(MetaKey.TIME_ZONE in meta)

    def _rezone(self, changed: bool) -> None:
        starts = [day.start_ms for day in self._days_held() if not self._is_past_day(day.start_ms)] if changed else []
        with transaction(self._db):
            if starts:
                self._db.execute("DELETE FROM daily WHERE day >= ?", (self._local.at(starts[0]).name,))
            self._db.execute("DELETE FROM rollup_due WHERE kind = 'day'")
            self._db.executemany(_DUE, ({"kind": "day", "start": start, "before": 0} for start in starts))
            self._db.execute(_META, {"name": MetaKey.TIME_ZONE, "value": self._local.time_zone})
        self._days = set(starts)

    def _days_held(self) -> Iterator[Day]:
        """The local days that have readings: from each reading's day straight to the next reading after it."""
        after = -(1 << 63)
        while True:
            (found,) = self._db.execute("SELECT min(id) FROM readings WHERE id >= ?", (after,)).fetchone()
            if found is None:
                return
            day = self._local.at(found >> SERIES_BITS)
            yield day
            after = day.end_ms << SERIES_BITS

    def _is_past_day(self, start_ms: int) -> bool:
        return self.horizon_ms is not None and start_ms < self.horizon_ms

    def marks(self, hours: Iterable[int]) -> Marks:
        """What must be marked for readings in these hours (their starts): no day the horizon has cut into."""
        fresh: list[int] = []
        days: set[int] = set()
        for start in hours:
            if start not in self._hours:
                fresh.append(start)
            days.update(day.start_ms for day in self._local.of_hour(start))
        return Marks(fresh, [start for start in days - self._days if not self._is_past_day(start)])

    def write(self, marks: Marks) -> None:
        """Inside the commit, before its readings go in: `before` is what the hour held so far."""
        for start in marks.hours:
            self._db.execute(_DUE, {"kind": "hour", "start": start, "before": self._count(start)})
        for start in marks.days:
            self._db.execute(_DUE, {"kind": "day", "start": start, "before": 0})

    def written(self, marks: Marks) -> None:
        """After the commit succeeded."""
        self._hours.update(marks.hours)
        self._days.update(marks.days)

    def _count(self, hour: int) -> int:
        count: int = self._db.execute(_COUNT, _ids(hour, hour + HOUR_MS)).fetchone()[0]
        return count

    def settle(self, now_ms: int | None, hours_at_most: int, days_at_most: int) -> TidyResult:
        """Compute what is due, oldest first, in one transaction. The running day is computed once an hour (it is the
        dearest), unless `now_ms` is None."""
        hours = sorted(self._hours)[:hours_at_most]
        days = [day for day in map(self._local.at, sorted(self._days)) if not self._rests(day, now_ms)][:days_at_most]
        if not hours and not days:
            return TidyResult(0, 0, 0)
        with transaction(self._db):
            for start in hours:
                self._settle_hour(start)
            for day in days:
                self._db.execute(_DAILY, (day.name, *_ids(day.start_ms, day.end_ms)))
                self._db.execute("DELETE FROM rollup_due WHERE kind = 'day' AND start = ?", (day.start_ms,))
        self._hours.difference_update(hours)
        self._days.difference_update(day.start_ms for day in days)
        if now_ms is not None:
            running = {day.start_ms: now_ms // HOUR_MS for day in days if day.end_ms > now_ms}
            self._settled_in_hour = running or self._settled_in_hour
        resting = sum(self._rests(day, now_ms) for day in map(self._local.at, self._days))
        return TidyResult(len(hours), len(days), len(self._hours) + len(self._days) - resting)

    def _settle_hour(self, start: int) -> None:
        ids = _ids(start, start + HOUR_MS)
        (before,) = self._db.execute(
            "SELECT before FROM rollup_due WHERE kind = 'hour' AND start = ?", (start,)
        ).fetchone()
        self._db.execute(_ADD_COUNT, {"name": Counter.HELD, "value": self._count(start) - before})
        self._db.execute(_HOURLY, (start, *ids))
        self._db.execute(_LATEST, ids)
        self._db.execute("DELETE FROM rollup_due WHERE kind = 'hour' AND start = ?", (start,))

    def _rests(self, day: Day, now_ms: int | None) -> bool:
        return now_ms is not None and self._settled_in_hour.get(day.start_ms) == now_ms // HOUR_MS

    def settle_before(self, horizon_ms: int) -> None:
        """Everything due up to the horizon, before its readings go: those summaries are final."""
        while any(start < horizon_ms for start in self._hours) or any(start < horizon_ms for start in self._days):
            self.settle(None, 200, 10)

    def set_horizon(self, horizon_ms: int, kept_days: int | None) -> None:
        """Within a transaction."""
        kept = {MetaKey.HORIZON_MS: horizon_ms} | ({MetaKey.HORIZON_DAYS: kept_days} if kept_days is not None else {})
        self._db.executemany(_META, [{"name": name, "value": str(value)} for name, value in kept.items()])
        self.horizon_ms, self.kept_days = horizon_ms, kept_days

    def count_deleted(self, deleted: int) -> None:
        self._db.execute(_ADD_COUNT, {"name": Counter.HELD, "value": -deleted})


def _ids(from_ms: int, until_ms: int) -> tuple[int, int]:
    return from_ms << SERIES_BITS, until_ms << SERIES_BITS
