"""Reading from outside: while the collector writes, on read-only disks, and files that are no journal."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.alarms.model import AlarmKey, AlarmState, State
from collector.store.batch import Batch
from collector.store.connection import open_read_only
from collector.store.errors import JournalDamaged, StoreError
from collector.store.reader import Reader
from collector.store.tables import reading
from tests.store.disks import read_only
from tests.store.samples import DAY, HOUR, T0, full_batch, good, minutes, opened, with_series


def test_a_reader_sees_what_is_committed_and_keeps_a_snapshot(tmp_path: Path) -> None:
    """Each query sees the last commit; inside a snapshot all see the same one."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0, a)]), T0)
        with Reader(journal.path) as reader:
            assert reader.note == ""
            with reader.snapshot():
                assert reader.readings_count() == 1
                journal.commit(Batch(rows=[good(T0 + 1, a)]), T0)
                assert reader.readings_count() == 1
                assert reader.newest()[a].t_ms == T0
            assert reader.readings_count() == 2
            assert reader.newest()[a].t_ms == T0 + 1


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    """Whatever a page does, the journal stays as it is."""
    with (
        opened(tmp_path) as journal,
        closing(open_read_only(journal.path)[0]) as db,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        db.execute("DELETE FROM readings")


def test_alarms_are_told_with_their_place(tmp_path: Path) -> None:
    """Alarms that are not normal, oldest change first; one without history has empty words."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        journal.commit(full_batch(a), T0)
        quiet, lost = AlarmKey("dry", a), AlarmKey("broker-lost", 0)
        standing = AlarmState(key=lost, state=State.ACKNOWLEDGED, active=True, changed_ms=T0 - 1)
        journal.commit(Batch(states={quiet: AlarmState(key=quiet), lost: standing}), T0)
        with Reader(journal.path) as reader:
            found = [(h.state.key.rule, h.place, h.measure, h.priority) for h in reader.alarms()]
            assert found == [("broker-lost", "", "", ""), ("bedding-hot", "juniper/top", "bedding_temperature", "high")]
            assert [change.rule for change in reader.history(since_ms=T0)] == ["bedding-hot"]
            assert reader.history(since_ms=T0 + 1) == []


def test_readings_come_in_time_order_within_their_bounds(tmp_path: Path) -> None:
    """From the start on, before the end, of the series asked for, across the size of a chunk."""
    with opened(tmp_path) as journal:
        ids = with_series(journal)
        rows = minutes(ids, 4_000)
        journal.commit(Batch(rows=rows), T0)
        with Reader(journal.path) as reader:
            assert reader.span() == (min(rows)[0], max(rows)[0])
            assert len(list(reader.readings())) == 12_000
            since, until = rows[30][0], rows[11_000][0]
            found = list(reader.readings(since, until, ids[:2]))
            wanted = sorted(row for row in rows if since <= row[0] < until and row[1] in ids[:2])
            assert found == [tuple(row) for row in wanted]
            assert list(reader.readings(series_ids=[])) == []


def test_an_empty_journal_has_answers(tmp_path: Path) -> None:
    """With nothing in it, every listing is empty and every count zero."""
    with opened(tmp_path) as journal, Reader(journal.path) as reader:
        assert reader.readings_count() == 0
        assert reader.span() is None
        assert reader.newest() == {}
        assert (reader.alarms(), reader.history(), reader.unplaced(), reader.rejected()) == ([], [], [], [])
        assert (reader.counters(), reader.hourly(0, DAY)) == ({}, [])
        assert sum(reader.outbox_counts().values()) == 0


def test_what_is_no_journal_is_said_in_one_line(tmp_path: Path) -> None:
    """Not there, a folder, an empty file, text: each is one line that names the file."""
    path = tmp_path / "traywarden.db"
    folder = tmp_path / "folder"
    folder.mkdir()
    text = tmp_path / "text.db"
    text.write_text("this is not a database, however long it is " * 100)
    empty = tmp_path / "empty.db"
    empty.touch()
    for wrong, words in ((path, "not there"), (folder, "not there"), (empty, "empty"), (text, "not a database")):
        with pytest.raises(StoreError, match=words) as refused:
            Reader(wrong)
        assert "\n" not in str(refused.value)
        assert str(wrong) in str(refused.value)
    with pytest.raises(JournalDamaged):
        Reader(text)


def test_a_closed_journal_can_be_read_on_a_read_only_disk(tmp_path: Path) -> None:
    """A copy on a read-only disk is read whole."""
    home = tmp_path / "home"
    home.mkdir()
    with opened(home) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0, a, 21.5)]), T0)
    with read_only(home), Reader(journal.path) as reader:
        assert reader.newest()[a].value == 21.5
        assert reader.note == ""


def test_a_read_only_disk_that_holds_a_wal_is_read_with_a_note(tmp_path: Path) -> None:
    """Where SQLite cannot take in the newest commits, what can be read is, and the note says what is missing."""
    home = tmp_path / "home"
    home.mkdir()
    with opened(home) as journal:
        a = with_series(journal)[0]
    with opened(home) as journal:
        journal.commit(Batch(rows=[good(T0, a)]), T0)
        killed = tmp_path / "killed"
        killed.mkdir()
        for name in ("traywarden.db", "traywarden.db-wal"):
            (killed / name).write_bytes((home / name).read_bytes())
    with read_only(killed), Reader(killed / "traywarden.db") as reader:
        assert "newest readings" in reader.note
        assert [series.id for series in reader.series()][:1] == [a]
    with Reader(killed / "traywarden.db") as reader:
        assert (reader.readings_count(), reader.note) == (1, "")


def test_a_count_of_many_readings_is_quick(tmp_path: Path) -> None:
    """Counting looks at the running hour only: the work does not grow with what is held."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0 + n * 40, a) for n in range(200_000)]), T0)
        while journal.tidy(T0 + DAY).left:
            pass
        journal.commit(Batch(rows=[good(T0 + 10 * HOUR, a)]), T0)
        thousands = []
        with closing(open_read_only(journal.path)[0]) as db:
            db.set_progress_handler(lambda: thousands.append(1), 1_000)
            assert reading.readings_count(db) == 200_001
            assert len(thousands) < 10
            assert db.execute("SELECT count(t) FROM readings").fetchone() == (200_001,)
            assert len(thousands) > 100
