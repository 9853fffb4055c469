"""The journal: the collector's writing connection to traywarden.db.

One batch is one transaction. When `commit` returns, the batch is on the disk; when it raises JournalStalled, nothing of
it is, and the same batch can be committed again. What needs no haste (summaries, newest readings, the checkpoint of the
WAL) waits for `tidy`, which the collector calls every few minutes: that is what keeps writes to an SD card low.

All times are ms UTC; `now_ms` is always an argument. Used by one thread at a time.
"""

import os
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from collector.alarms.model import AlarmKey, AlarmState
from collector.domain.diary import Brew, DiaryEntry
from collector.domain.lab import SeriesKey
from collector.store import requests
from collector.store.batch import Batch, CommitResult, ReadingRow
from collector.store.connection import open_writer, transaction
from collector.store.errors import JournalCutOff, JournalStalled, StoreError, translated
from collector.store.files import COMPANIONS, companion
from collector.store.localdays import HOUR_MS, LocalDays
from collector.store.migrations import SERIES_MASK, migrate
from collector.store.prune import prune
from collector.store.repair.table_map import keep_map
from collector.store.requests import RequestRow
from collector.store.retention import Moment, RetentionResult, believed_ms, mend, retain
from collector.store.rollups import Rollups, TidyResult
from collector.store.tables import alarm_rows, diary, notices, reading, recipients, series_rows, writing
from collector.store.tables.reading import NewestReading
from collector.store.tables.recipients import FailedMessage
from collector.store.tables.rows import insert
from collector.store.tables.tails import Tail, pieces
from collector.store.vocabulary import LAB_CHANGED, Counter, EventKind, MetaKey
from collector.telling.notice import Notice

_KEEP_META = insert("meta", ("name", "value"), "INSERT OR REPLACE")
_CHECKPOINT_EVERY_MS = 30 * 60_000
"""Each checkpoint writes every changed page a second time and clears the shared index; twice an hour is plenty."""
_TIDY_HOURS = 100
_TIDY_DAYS = 5
_EARLIEST_MS = -2_208_988_800_000
_LATEST_MS = 221_845_392_000_000
"""1900-01-01 and 9000-01-01: the key has room for more, calendars do not."""

_OLDEST_WAITING = """
    SELECT min(created_ms) FROM outbox AS mine WHERE state = 'waiting' OR (state = 'unconfirmed' AND settled_ms >= ?
        AND NOT EXISTS (SELECT 1 FROM outbox AS later WHERE later.state = 'sent' AND later.channel = mine.channel
            AND later.settled_ms > mine.settled_ms))"""
_Identity = tuple[int, int] | None
"""Which file a name stands for: device and inode; None: no file."""


class Journal:
    """See the module. Made open; `close` may be called twice; a context manager."""

    def __init__(self, path: Path, time_zone: str, now_ms: int) -> None:
        """Opens the file, which it makes or upgrades where need be. Raises StoreError for a file of another program or
        a newer one, JournalStalled or JournalDamaged."""
        if not path.parent.is_dir():
            raise StoreError(f"{path.parent}: no such folder; 'traywarden init' makes it")
        self.path = path
        self._beside = tuple(companion(path, suffix) for suffix in COMPANIONS)
        self._days = LocalDays(time_zone)
        self._checkpoint_ms: int | None = None
        self._retained: Moment | None = None
        with translated(path):
            db = open_writer(path)
            try:
                migrate(db, path, now_ms)
                found = os.stat(path)
                self._file = (found.st_dev, found.st_ino)
                self._rollups = Rollups(db, self._days)
                self._series = {stored.key: stored for stored in series_rows.series(db)}
                (self._next_arrival,) = db.execute("SELECT coalesce(max(seq) + 1, 0) FROM arrivals").fetchone()
                self._companions = self._companions_now()
                mend(db, self._rollups, self._days, now_ms)
                with suppress(OSError):  # it is for the day when the file is damaged, and another start tries again
                    keep_map(db, path)
            except BaseException:
                db.close()
                raise
        self._db: sqlite3.Connection | None = db
        """None once it is closed."""

    def close(self) -> None:
        """Bring summaries up to date as far as that is quick, empty the WAL, and close. Never fails for the tidying:
        what it would have done is still marked due at the next start."""
        if self._db is None:
            return
        db, self._db = self._db, None
        try:
            with translated(self.path):
                self._rollups.settle(None, _TIDY_HOURS, _TIDY_DAYS)
        except StoreError:
            return
        finally:
            db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @contextmanager
    def _work(self) -> Iterator[sqlite3.Connection]:
        if self._db is None:
            raise StoreError(f"{self.path}: the journal is closed")
        with translated(self.path):
            yield self._db

    # Writing

    def series_id(self, key: SeriesKey, unit: str, bin_: str, tray: str, now_ms: int) -> int:
        """The number of a series, made where it is new; unit, bin and tray follow the lab file."""
        return self.series_ids([(key, unit, bin_, tray)], now_ms)[0]

    def series_ids(self, wanted: Sequence[tuple[SeriesKey, str, str, str]], now_ms: int) -> list[int]:
        """As `series_id` for each (series, unit, bin, tray), in their order; what is new is written at once."""
        new = [one for one in wanted if not self._is_known_as(*one)]
        if new:
            with self._work() as db, transaction(db):
                made = {
                    key: series_rows.known_as(db, key, unit=unit, bin_=bin_, tray=tray, now_ms=now_ms)
                    for key, unit, bin_, tray in new
                }
                if any(one.id > SERIES_MASK for one in made.values()):
                    raise StoreError(f"{self.path}: more than {SERIES_MASK} series; start a new home folder")
            self._series.update(made)
        return [self._series[key].id for key, *_ in wanted]

    def _is_known_as(self, key: SeriesKey, unit: str, bin_: str, tray: str) -> bool:
        known = self._series.get(key)
        return known is not None and (known.unit, known.bin, known.tray) == (unit, bin_, tray)

    def commit(self, batch: Batch, now_ms: int) -> CommitResult:
        """Store the whole batch in one transaction, or nothing of it."""
        rows, hours, too_old, impossible = self._acceptable(batch.rows)
        marks = self._rollups.marks(hours) if hours else None
        with self._work() as db:
            self._still_there(db)
            with transaction(db):
                if marks is not None:
                    self._rollups.write(marks)
                stored = writing.readings(db, rows) if rows else 0
                duplicates = len(rows) - stored
                writing.the_rest(db, batch, self._next_arrival, now_ms)
                writing.counts(db, batch.counts)
                found = {
                    Counter.DUPLICATES: duplicates,
                    Counter.TOO_OLD: too_old,
                    Counter.IMPOSSIBLE_TIME: impossible,
                }
                writing.counts(db, found)
        if marks is not None:
            self._rollups.written(marks)
        self._next_arrival += len(batch.arrivals)
        return CommitResult(stored=stored, duplicates=duplicates, too_old=too_old, impossible=impossible)

    def _acceptable(self, rows: list[ReadingRow]) -> tuple[list[ReadingRow], list[int], int, int]:
        """The rows that can be stored, the hours they fall in, and how many are too old and impossibly new."""
        if not rows:
            return rows, [], 0, 0
        hours = {row[0] // HOUR_MS for row in rows}
        horizon = _EARLIEST_MS if self._rollups.horizon_ms is None else self._rollups.horizon_ms
        kept = rows
        if min(hours) * HOUR_MS < horizon or max(hours) * HOUR_MS >= _LATEST_MS:
            kept = [row for row in rows if horizon <= row[0] < _LATEST_MS]
            hours = {row[0] // HOUR_MS for row in kept}
        impossible = sum(row[0] >= _LATEST_MS for row in rows) if kept is not rows else 0
        too_old = len(rows) - len(kept) - impossible
        return kept, [hour * HOUR_MS for hour in sorted(hours)], too_old, impossible

    def _companions_now(self) -> tuple[_Identity, ...]:
        return tuple(map(_identity, self._beside))

    def _still_there(self, db: sqlite3.Connection) -> None:
        """SQLite goes on writing into a file that was moved or deleted, and all of it would be lost at the end. Where
        that is the write-ahead log or its index, what they hold is brought into the file itself at once."""
        try:
            found = os.stat(self.path)
        except FileNotFoundError:
            raise JournalStalled(self.path, "the file was moved or deleted; start the collector again") from None
        except OSError as error:
            raise JournalStalled(self.path, error.strerror or "the file cannot be reached") from error
        if (found.st_dev, found.st_ino) != self._file:
            raise JournalStalled(self.path, "the file was replaced; start the collector again")
        if self._companions_now() != self._companions:
            (busy, _pages, _done) = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            if busy:
                raise JournalStalled(self.path, "its write-ahead log was removed, and another program reads the file")
            raise JournalCutOff(self.path, "its write-ahead log was removed; what it held is safe in the file")

    def tidy(self, now_ms: int) -> TidyResult:
        """Summaries that are due and the newest readings, bounded; now and then the checkpoint of the WAL."""
        with self._work() as db:
            result = self._rollups.settle(now_ms, _TIDY_HOURS, _TIDY_DAYS)
            if self._checkpoint_ms is None:
                self._checkpoint_ms = now_ms
            elif abs(now_ms - self._checkpoint_ms) >= _CHECKPOINT_EVERY_MS:
                db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
                self._checkpoint_ms = now_ms
        return result

    def retention(
        self, now_ms: int, keep_days: int, at_most: int = 50_000, running_s: float | None = None
    ) -> RetentionResult:
        """Delete readings of local days older than `keep_days`, at most so many in one call; summaries stay. Messages
        and requests that were settled long ago go too. `running_s`: for how long this process has run, by which the
        clock is doubted; None: `now_ms` is believed."""
        with self._work() as db:
            if running_s is not None:
                now_ms = self._believed(db, Moment(now_ms, running_s))
            result = retain(db, self._rollups, self._days, now_ms, keep_days, at_most)
            more = prune(db, now_ms)
        return result._replace(more=result.more or more)

    def _believed(self, db: sqlite3.Connection, at: Moment) -> int:
        kept = db.execute("SELECT value FROM meta WHERE name = ?", (MetaKey.BELIEVED_MS,)).fetchone()
        newest = db.execute("SELECT max(t) FROM latest").fetchone()[0]
        last_ms = int(kept[0]) if kept is not None else None
        believed = believed_ms(last_ms, self._retained, at, newest)
        kept_ms = max(believed, last_ms or believed)
        with transaction(db):
            db.execute(_KEEP_META, {"name": MetaKey.BELIEVED_MS, "value": str(kept_ms)})
        self._retained = at
        return believed

    # Requests from the command line

    def data_version(self) -> int:
        """Changes whenever another connection has committed: costs next to nothing to ask."""
        with self._work() as db:
            return int(db.execute("PRAGMA data_version").fetchone()[0])

    def pending_requests(self) -> list[RequestRow]:
        with self._work() as db:
            return requests.pending_requests(db)

    # What a start needs

    def alarm_states(self) -> dict[AlarmKey, AlarmState]:
        with self._work() as db:
            return alarm_rows.alarm_states(db)

    def created_ms(self, series_ids: Collection[int]) -> dict[int, int]:
        """When each series became known."""
        with self._work() as db:
            known = db.execute("SELECT id, created_ms FROM series").fetchall()
        return {number: ms for number, ms in known if number in series_ids}

    def starts_since(self, since_ms: int) -> int:
        """How often the collector has been started since then, not counting that it took up another lab.yaml."""
        with self._work() as db:
            query = "SELECT count(*) FROM events WHERE t_ms >= ? AND kind = ? AND detail <> ?"
            return int(db.execute(query, (since_ms, EventKind.STARTED, LAB_CHANGED)).fetchone()[0])

    def last_ms(self, kind: EventKind) -> int | None:
        """When this last happened; None: never, as far as is remembered."""
        with self._work() as db:
            query = "SELECT max(t_ms) FROM events WHERE kind = ?"
            found: int | None = db.execute(query, (kind,)).fetchone()[0]
        return found

    def oldest_waiting_ms(self, since_ms: int) -> int | None:
        """When the oldest message was written that still waits, or that was left unconfirmed since then by a channel
        that has confirmed none after it; None: there is none."""
        with self._work() as db:
            oldest: int | None = db.execute(_OLDEST_WAITING, (since_ms,)).fetchone()[0]
        return oldest

    def failed_messages(self, since_ms: int) -> list[FailedMessage]:
        """Messages given up since then, oldest first, without reports of such failures."""
        with self._work() as db:
            return recipients.failed(db, since_ms)

    def newest(self, series_ids: Collection[int] | None = None) -> dict[int, NewestReading]:
        """The newest reading of each series that has one, late ones included."""
        with self._work() as db:
            return reading.newest(db, series_ids)

    def recent_pieces(self, series_ids: Collection[int], since_ms: int, until_ms: int) -> Iterator[tuple[int, Tail]]:
        """(series, readings) from `since_ms` on, before `until_ms`, without late ones, in pieces: a series comes
        again with what follows."""
        with self._work() as db:
            yield from pieces(db, series_ids, since_ms, until_ms)

    def hourly_means(self, series: int, since_ms: int, until_ms: int) -> list[tuple[int, float]]:
        """(hour, mean) of each hour in the stretch that has a good reading, as of the last tidying."""
        query = """SELECT hour, mean FROM hourly
            WHERE hour >= ? AND hour < ? AND series = ? AND mean IS NOT NULL ORDER BY hour"""
        with self._work() as db:
            return db.execute(query, (since_ms, until_ms, series)).fetchall()

    def arrivals(self) -> list[tuple[int, bytes]]:
        """Packet ids and digests of the last messages whose time was their arrival, oldest first."""
        with self._work() as db:
            return db.execute("SELECT mid, digest FROM arrivals ORDER BY seq").fetchall()

    def counters(self) -> dict[str, int]:
        with self._work() as db:
            return reading.counters(db)

    def meta(self) -> dict[str, str]:
        with self._work() as db:
            return reading.meta(db)

    def notices(self, since_ms: int) -> list[Notice]:
        """What people are still to hear, what was settled since then, and all that was told of standing alarms."""
        with self._work() as db:
            return notices.open_notices(db, since_ms)

    def diary(self) -> list[DiaryEntry]:
        with self._work() as db:
            return diary.entries(db)

    def brews(self) -> list[Brew]:
        with self._work() as db:
            return diary.brews(db)


def _identity(path: Path) -> _Identity:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return (found.st_dev, found.st_ino)
