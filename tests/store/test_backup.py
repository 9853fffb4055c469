"""Backups taken while the journal is written, and put back."""

import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from collector.store.batch import Batch
from collector.store.errors import HomeLocked, StoreError
from collector.store.homelock import HomeLock
from collector.store.outbox import OutboxStore
from collector.store.reader import Reader
from collector.store.repair.backup import backup, check_whole, restore
from tests.store.samples import DAY, HOUR, T0, full_batch, good, held, known, minutes, opened, with_series


def home(tmp_path: Path, name: str = "home") -> Path:
    folder = tmp_path / name
    folder.mkdir()
    return folder


def test_a_backup_while_writing_is_one_state(tmp_path: Path) -> None:
    """A copy taken in steps, with commits between the steps, holds what was there when it began: batches whole."""
    target = tmp_path / "copy.db"
    with opened(home(tmp_path)) as journal:
        a, b, _ = with_series(journal)
        journal.commit(Batch(rows=minutes([a, b], 60_000)), T0)
        before = held(journal.path)
        parts: list[float] = []

        def commit_meanwhile(part: float) -> None:
            parts.append(part)
            t = T0 + DAY * 365 + len(parts)
            journal.commit(Batch(rows=[good(t, a), good(t, b)]), T0)

        size = backup(journal.path, target, commit_meanwhile)
        assert len(parts) > 1
        assert parts == sorted(parts)
        assert parts[-1] == 1.0
        assert held(target) == before
        assert size == target.stat().st_size
        assert len(held(journal.path)) == len(before) + 2 * len(parts)
    check_whole(target)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["copy.db", "home"]


def test_a_backup_beside_a_busy_writer(tmp_path: Path) -> None:
    """With another thread committing as fast as it can, the backup still ends, and is whole."""
    target = tmp_path / "copy.db"
    with opened(home(tmp_path)) as journal:
        a, b, _ = with_series(journal)
        journal.commit(Batch(rows=minutes([a, b], 20_000)), T0)
        stop = threading.Event()
        commits = 0

        def write() -> None:
            nonlocal commits
            while not stop.is_set():
                commits += 1
                t = T0 + DAY * 365 + commits
                journal.commit(Batch(rows=[good(t, a), good(t, b)]), T0)

        writer = threading.Thread(target=write)
        writer.start()
        try:
            backup(journal.path, target)
        finally:
            stop.set()
            writer.join()
    assert commits > 0
    rows = held(target)
    assert len(rows) >= 40_000
    assert len(rows) % 2 == 0


def test_a_restored_backup_is_the_journal_again(tmp_path: Path) -> None:
    """After a restore the journal is as at the backup, and the one it replaced is kept whole beside it."""
    folder = home(tmp_path)
    target = tmp_path / "copy.db"
    with opened(folder) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0, a, 1.0)]), T0)
        backup(journal.path, target)
        journal.commit(Batch(rows=[good(T0 + 1, a, 2.0)]), T0)
    done = restore(target, journal.path, T0 + HOUR)
    assert [row[2] for row in held(journal.path)] == [1.0]
    assert done.replaced is not None
    assert done.replaced.name == "traywarden.db.replaced-20260302T090000Z"
    assert [row[2] for row in held(done.replaced)] == [1.0, 2.0]
    with opened(folder) as journal:
        journal.commit(Batch(rows=[good(T0 + 2, a)]), T0)
    again = restore(target, journal.path, T0 + HOUR)
    assert again.replaced is not None
    assert again.replaced.name == "traywarden.db.replaced-20260302T090000Z-2"


def test_a_wal_left_by_a_crash_is_not_played_into_the_restored_file(tmp_path: Path) -> None:
    """The replaced database keeps its own WAL, with the last commits in it; the new one starts without."""
    folder = home(tmp_path)
    killed = home(tmp_path, "killed")
    target = tmp_path / "copy.db"
    with opened(folder) as journal:
        a = with_series(journal)[0]
        backup(journal.path, target)
        journal.commit(Batch(rows=[good(T0, a, 7.0)]), T0)
        for name in ("traywarden.db", "traywarden.db-wal"):
            (killed / name).write_bytes((folder / name).read_bytes())
    done = restore(target, killed / "traywarden.db", T0)
    assert held(killed / "traywarden.db") == []
    assert done.replaced is not None
    assert [row[2] for row in held(done.replaced)] == [7.0]


def test_messages_waiting_in_a_backup_are_not_sent_again(tmp_path: Path) -> None:
    """What waited when the backup was made may have gone out since: it is unconfirmed, and counted."""
    folder = home(tmp_path)
    with opened(folder) as journal:
        journal.commit(full_batch(with_series(journal)[0]), T0)
        backup(journal.path, tmp_path / "copy.db")
    assert restore(tmp_path / "copy.db", journal.path, T0).unconfirmed == 1
    with OutboxStore(journal.path) as outbox, Reader(journal.path) as reader:
        assert outbox.take_next(T0 + DAY) is None
        assert reader.outbox_counts()["unconfirmed"] == 1


def test_restoring_into_an_empty_home(tmp_path: Path) -> None:
    """On a new machine there is nothing to replace, and the parent folder is all it needs."""
    with opened(home(tmp_path)) as journal:
        with_series(journal)
    backup(journal.path, tmp_path / "copy.db")
    fresh = home(tmp_path, "fresh")
    assert restore(tmp_path / "copy.db", fresh / "traywarden.db", T0).replaced is None
    with opened(fresh) as journal:
        assert len(known(journal)) == 3


def test_restore_waits_for_no_one(tmp_path: Path) -> None:
    """While a collector holds the folder, restoring is refused, with the process named, and nothing changes."""
    folder = home(tmp_path)
    with opened(folder) as journal:
        pass
    backup(journal.path, tmp_path / "copy.db")
    script = (
        "import sys; from pathlib import Path; from collector.store.homelock import HomeLock\n"
        "HomeLock(Path(sys.argv[1])).acquire(); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(HomeLocked, match=rf"process {holder.pid}\)"):
            restore(tmp_path / "copy.db", journal.path, T0)
        holder.kill()
    with HomeLock(folder) as lock:
        assert lock.acquire() is lock
        with pytest.raises(HomeLocked):
            HomeLock(folder).acquire()
    restore(tmp_path / "copy.db", journal.path, T0)


def test_what_is_no_whole_backup_is_refused(tmp_path: Path) -> None:
    """A damaged, foreign or missing file, or the database itself, replaces nothing."""
    folder = home(tmp_path)
    with opened(folder) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=minutes([a], 3_000)), T0)
    before = journal.path.read_bytes()
    damaged, foreign = tmp_path / "damaged.db", tmp_path / "foreign.db"
    damaged.write_bytes(before[:20_000] + b"\xa5" * 8_000 + before[28_000:])
    with closing(sqlite3.connect(foreign)) as db:
        db.execute("CREATE TABLE recipes(name)")
    for source, words in (
        (damaged, "damaged"),
        (foreign, "another program"),
        (tmp_path / "none.db", "not there"),
        (journal.path, "itself"),
    ):
        with pytest.raises(StoreError, match=words):
            restore(source, journal.path, T0)
    assert journal.path.read_bytes() == before
    there = sorted(path.name for path in folder.iterdir())
    assert there == ["traywarden.db", "traywarden.db.map", "traywarden.lock"]


def test_a_backup_writes_over_nothing_unasked(tmp_path: Path) -> None:
    """An existing file, the database itself, a folder and a missing folder are refused; replacing can be asked for."""
    with opened(home(tmp_path)) as journal:
        pass
    target = tmp_path / "copy.db"
    target.write_text("precious")
    for wrong, words in (
        (target, "there already"),
        (tmp_path, "a folder"),
        (tmp_path / "x" / "y.db", "no such folder"),
    ):
        with pytest.raises(StoreError, match=words):
            backup(journal.path, wrong)
    with pytest.raises(StoreError, match="there already"):
        backup(journal.path, journal.path, replace=True)
    assert target.read_text() == "precious"
    backup(journal.path, target, replace=True)
    check_whole(target)
    with pytest.raises(StoreError, match="not there"):
        backup(tmp_path / "none.db", tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()
