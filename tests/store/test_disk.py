"""Disks that fill up, are read-only or fail: nothing half done, and the same batch goes in when it is over."""

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.domain.lab import SeriesKey
from collector.store.batch import Batch
from collector.store.errors import HomeLocked, JournalCutOff, JournalDamaged, JournalStalled, StoreError, translate
from collector.store.homelock import HomeLock
from collector.store.journal import Journal
from collector.store.outbox import OutboxStore
from collector.store.repair.backup import backup
from tests.store.disks import no_file_beyond, read_only, small_disk
from tests.store.samples import (
    DAY,
    T0,
    ZONE,
    counted,
    dump,
    full_batch,
    good,
    held,
    known,
    message,
    minutes,
    opened,
    with_series,
)

TABLES = (
    "readings",
    "alarm_states",
    "alarm_history",
    "outbox",
    "counters",
    "arrivals",
    "meta",
    "rollup_due",
    "unplaced",
)


def big_batch(series: list[int], t_ms: int) -> Batch:
    """Something in every part, and more readings than a small disk has room for."""
    batch = full_batch(series[0], t_ms)
    batch.rows = minutes(series, 3_000, t_ms)
    return batch


def test_a_full_disk_stalls_and_the_batch_goes_in_when_there_is_room(tmp_path: Path) -> None:
    """On a real full disk nothing of a batch is stored, again and again; with room, the same batch is, once."""
    with small_disk(tmp_path / "disk", 1_024) as disk:
        journal = opened(disk)
        series = with_series(journal)
        first = Batch(rows=minutes(series, 100))
        journal.commit(first, T0)
        ballast = disk / "ballast"
        with ballast.open("wb") as file:
            free = os.statvfs(disk)
            file.write(b"x" * (free.f_bavail - 20) * free.f_frsize)
        before = dump(journal.path, *TABLES)
        batch = big_batch(series, T0 + DAY)
        for _ in range(3):
            with pytest.raises(JournalStalled, match="the disk is full") as stalled:
                journal.commit(batch, T0 + DAY)
            assert stalled.value.reason == "the disk is full"
            assert dump(journal.path, *TABLES) == before
        ballast.unlink()
        assert journal.commit(batch, T0 + DAY).stored == 9_000
        assert journal.commit(batch, T0 + DAY).duplicates == 9_000
        assert counted(journal) == 9_300
        journal.close()
        assert len(held(journal.path)) == 9_300


def test_a_file_that_cannot_grow_stalls_the_same_way(tmp_path: Path) -> None:
    """A quota or size limit on the file: stalled, nothing stored, retried with success; also closing in that state."""
    journal = opened(tmp_path)
    series = with_series(journal)
    journal.commit(Batch(rows=minutes(series, 10)), T0)
    before = dump(journal.path, *TABLES)
    batch = big_batch(series, T0 + DAY)
    wal = tmp_path / "traywarden.db-wal"
    with no_file_beyond(wal.stat().st_size + 4_000):
        for _ in range(2):
            with pytest.raises(JournalStalled, match="input/output error"):
                journal.commit(batch, T0 + DAY)
        assert dump(journal.path, *TABLES) == before
    assert journal.commit(batch, T0 + DAY).stored == 9_000
    with no_file_beyond(wal.stat().st_size):
        with pytest.raises(JournalStalled):
            journal.tidy(T0 + 2 * DAY)
        journal.close()
    assert len(held(journal.path)) == 9_030
    with opened(tmp_path) as again:
        assert counted(again) == 9_030
        again.tidy(T0 + 2 * DAY)
        assert counted(again) == 9_030


def test_a_disk_that_fills_at_any_point_leaves_whole_batches(tmp_path: Path) -> None:
    """Wherever in the writing of a batch the room ends, it is all there or not at all, and goes in later."""
    journal = opened(tmp_path)
    series = with_series(journal)
    wal = tmp_path / "traywarden.db-wal"
    stalls = 0
    for n in range(40):
        batch = full_batch(series[0], T0 + n * DAY)
        batch.rows += minutes(series, 20, T0 + n * DAY + 1_000)
        with no_file_beyond(wal.stat().st_size + n * 900):
            try:
                journal.commit(batch, T0)
                stored = True
            except JournalStalled:
                stalls += 1
                stored = False
        there = dump(journal.path, "readings", "outbox", "alarm_history")
        assert [len(rows) for rows in there.values()] == [(n + stored) * 62, n + stored, n + stored]
        if not stored:
            assert journal.commit(batch, T0).stored == 62
    journal.close()
    assert 5 < stalls < 40


def test_a_read_only_folder_is_said_in_one_line(tmp_path: Path) -> None:
    """Nothing can be opened for writing there, and every part says so in its line."""
    home = tmp_path / "home"
    home.mkdir()
    with opened(home) as journal:
        with_series(journal)
    with read_only(home):
        for attempt in (
            lambda: opened(home),
            lambda: OutboxStore(journal.path).mark_sent(1, T0),
            lambda: HomeLock(home).acquire(),
            lambda: backup(journal.path, home / "copy.db"),
        ):
            with pytest.raises(StoreError, match=r"(?i)read-only|permission denied") as refused:
                attempt()
            assert "\n" not in str(refused.value)
    with opened(home) as journal:
        assert len(known(journal)) == 3


def test_a_locked_database_stalls_and_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While another program holds the write lock for too long the batch waits outside; afterwards it goes in."""
    monkeypatch.setattr("collector.store.connection._BUSY_S", 0.05)
    with opened(tmp_path) as journal, closing(sqlite3.connect(journal.path, isolation_level=None)) as other:
        batch = full_batch(with_series(journal)[0])
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalStalled, match="locked"):
            journal.commit(batch, T0)
        with pytest.raises(JournalStalled, match="locked"):
            journal.series_id(SeriesKey(probe="new", channel="c", measure="battery", place="room"), "V", "", "", T0)
        other.execute("ROLLBACK")
        assert journal.commit(batch, T0).stored == 2


@pytest.mark.parametrize("what", ["moved", "replaced"])
def test_a_file_taken_away_is_noticed(tmp_path: Path, what: str) -> None:
    """Writing into a file nobody can find any more is losing: the commit stalls and says what happened."""
    with opened(tmp_path) as journal:
        batch = full_batch(with_series(journal)[0])
        aside = journal.path.rename(tmp_path / "elsewhere.db")
        if what == "replaced":
            journal.path.write_bytes(b"")
        with pytest.raises(JournalStalled, match=what):
            journal.commit(batch, T0)
        journal.path.unlink(missing_ok=True)
        aside.rename(journal.path)
        assert journal.commit(batch, T0).stored == 2


@pytest.mark.parametrize("suffix", ["-wal", "-shm"])
@pytest.mark.parametrize("again", [False, True], ids=["removed", "made anew by another program"])
def test_a_log_taken_away_while_it_is_open_costs_nothing(tmp_path: Path, suffix: str, again: bool) -> None:
    """What was acknowledged stands in the removed file alone: the next commit brings it into the database, is refused,
    and goes in once the journal is opened again. As after kill -9, only the file itself is looked at."""
    journal = opened(tmp_path)
    series = with_series(journal)
    journal.commit(Batch(rows=minutes(series, 500)), T0)
    gone = tmp_path / f"traywarden.db{suffix}"
    gone.unlink()
    if again:
        gone.write_bytes(b"")
    more = Batch(rows=minutes(series, 10, T0 + DAY))
    with pytest.raises(JournalCutOff):
        journal.commit(more, T0)
    copied = tmp_path / "as-after-kill.db"
    shutil.copy(journal.path, copied)
    assert len(held(copied)) == 1_500
    journal.close()
    with opened(tmp_path) as journal:
        assert journal.commit(more, T0).stored == 30
    assert len(held(journal.path)) == 1_530


def test_a_log_taken_away_while_another_reads_stalls(tmp_path: Path) -> None:
    """Nothing is acknowledged until it can be brought into the file."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(rows=minutes(with_series(journal), 10)), T0)
        with closing(sqlite3.connect(journal.path, isolation_level=None)) as other:
            other.execute("BEGIN")
            other.execute("SELECT count(*) FROM readings").fetchone()
            journal.commit(Batch(rows=[good(T0 + DAY, 1)]), T0)
            (tmp_path / "traywarden.db-wal").unlink()
            with pytest.raises(JournalStalled, match="another program reads the file"):
                journal.commit(Batch(rows=[good(T0 + DAY + 1, 1)]), T0)
            other.execute("COMMIT")
        with pytest.raises(JournalCutOff):
            journal.commit(Batch(rows=[good(T0 + DAY + 1, 1)]), T0)


def test_a_journal_without_messages_lost_on_a_full_disk(tmp_path: Path) -> None:
    """The outbox, too, stalls on a full disk and keeps the message as it was."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(messages=[message("a")]), T0)
        with OutboxStore(journal.path) as outbox:
            wal = tmp_path / "traywarden.db-wal"
            with no_file_beyond(wal.stat().st_size), pytest.raises(JournalStalled):
                outbox.mark_sending(1)
            found = outbox.take_next(T0)
            assert found is not None
            assert found.attempts == 0


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (sqlite3.SQLITE_FULL, JournalStalled, "disk is full"),
        (sqlite3.SQLITE_READONLY, JournalStalled, "read-only"),
        (sqlite3.SQLITE_READONLY_DBMOVED, JournalStalled, "read-only"),
        (sqlite3.SQLITE_IOERR_FSYNC, JournalStalled, "input/output error"),
        (sqlite3.SQLITE_BUSY, JournalStalled, "locked"),
        (sqlite3.SQLITE_LOCKED, JournalStalled, "locked"),
        (sqlite3.SQLITE_CANTOPEN, JournalStalled, "cannot be opened"),
        (sqlite3.SQLITE_NOMEM, JournalStalled, "memory"),
        (sqlite3.SQLITE_CORRUPT, JournalDamaged, "damaged"),
        (sqlite3.SQLITE_CORRUPT_VTAB, JournalDamaged, "damaged"),
        (sqlite3.SQLITE_NOTADB, JournalDamaged, "not a database"),
        (sqlite3.SQLITE_CONSTRAINT, type(None), ""),
        (sqlite3.SQLITE_ERROR, type(None), ""),
    ],
)
def test_errors_are_sorted_by_what_to_do_next(tmp_path: Path, code: int, kind: type[object], words: str) -> None:
    """Retry later, set the file aside, or a mistake of the program, to be seen (codes: sqlite.org/rescode.html)."""
    error = sqlite3.OperationalError("as SQLite says it")
    error.sqlite_errorcode = code
    ours = translate(tmp_path / "traywarden.db", error)
    assert type(ours) is kind
    assert words in str(ours)
    assert translate(tmp_path, sqlite3.ProgrammingError("no code")) is None


def test_a_folder_that_vanishes_stalls(tmp_path: Path) -> None:
    """The home folder gone (a stick pulled out) is a stall, and coming back ends it."""
    home = tmp_path / "home"
    home.mkdir()
    with Journal(home / "traywarden.db", ZONE, T0) as journal:
        batch = full_batch(with_series(journal)[0])
        home.rename(tmp_path / "away")
        with pytest.raises(JournalStalled, match="moved or deleted"):
            journal.commit(batch, T0)
        (tmp_path / "away").rename(home)
        assert journal.commit(batch, T0).stored == 2


def test_a_home_is_locked_on_a_full_disk_too(tmp_path: Path) -> None:
    """The number of the process finds no room; the lock holds all the same, and is told without that number."""
    with (
        no_file_beyond(0),
        HomeLock(tmp_path),
        pytest.raises(HomeLocked, match=r"a collector is running here; stop it first"),
    ):
        HomeLock(tmp_path).acquire()
