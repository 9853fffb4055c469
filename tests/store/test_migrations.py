"""Databases of every version, of other programs, and of a future one."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.store import migrations
from collector.store.connection import APPLICATION_ID, transaction
from collector.store.errors import StoreError
from collector.store.outbox import OutboxStore
from collector.store.reader import Reader
from collector.store.repair.backup import check_whole
from collector.store.repair.damage import open_journal
from collector.store.requests import ProbeIn, write_request
from tests.store.samples import HOUR, MINUTE, T0, ZONE, counted, dump, held, message, opened

PAST = range(1, len(migrations.STEPS))
STEPPED = {1: [T0], 2: [T0, T0 + MINUTE], 3: [T0, T0 + MINUTE, T0 + 2 * MINUTE], 4: [T0 + n * MINUTE for n in range(4)]}
STEPPED[5] = [*STEPPED[4], T0 + 4 * MINUTE]
"""When the steps of each stored version ran."""


def stored(folder: Path, version: int = 1) -> Path:
    """The database of a past version, as it was on somebody's disk."""
    path = folder / "traywarden.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(Path(__file__).with_name(f"version_{version}.sql").read_text())
    return path


@pytest.mark.parametrize("version", PAST)
def test_a_database_of_a_past_version_is_upgraded_with_all_it_holds(tmp_path: Path, version: int) -> None:
    """Everything in it is found again, summaries that were due are made, and each step is recorded with its time."""
    path = stored(tmp_path, version)
    before = held(path)
    with opened(tmp_path, now_ms=T0 + HOUR) as journal:
        assert counted(journal) == len(before) == 41
        assert len(journal.alarm_states()) == 1
        journal.tidy(T0 + HOUR)
        assert counted(journal) == 41
    assert held(path) == before
    steps = dump(path, "migrations")["migrations"]
    assert [(n, name) for n, name, _ in steps] == [(n, s.name) for n, s in enumerate(migrations.STEPS, start=1)]
    assert [at for _, _, at in steps] == STEPPED[version] + [T0 + HOUR] * (len(steps) - version)
    with OutboxStore(path) as outbox:
        waiting = outbox.take_next(T0 + HOUR)
        assert waiting is not None
        assert waiting.recipient == message("x").recipient


@pytest.mark.parametrize("version", PAST)
def test_an_upgraded_database_has_the_form_of_a_new_one(tmp_path: Path, version: int) -> None:
    """Upgrading ends in the same tables and indices as starting fresh."""
    (tmp_path / "old").mkdir()
    (tmp_path / "new").mkdir()
    stored(tmp_path / "old", version)
    forms = []
    for folder in (tmp_path / "old", tmp_path / "new"):
        with opened(folder) as journal:
            pass
        with closing(sqlite3.connect(journal.path)) as db:
            rows = db.execute("SELECT type, name, sql FROM sqlite_master ORDER BY 1, 2").fetchall()
        forms.append([(kind, name, " ".join((sql or "").split())) for kind, name, sql in rows])
    assert forms[0] == forms[1]


@pytest.mark.parametrize("version", PAST)
def test_all_but_the_collector_refuse_an_older_database(tmp_path: Path, version: int) -> None:
    """Whoever does not upgrade says in one line who does."""
    path = stored(tmp_path, version)
    for attempt in (Reader, OutboxStore, lambda p: write_request(p, ProbeIn(probe="p"), T0)):
        with pytest.raises(StoreError, match="'traywarden watch' upgrades it") as refused:
            attempt(path)
        assert "\n" not in str(refused.value)


def test_a_newer_database_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    """A database of a later program is opened by nothing here, and no byte of it changes."""
    with opened(tmp_path) as journal:
        pass
    with closing(sqlite3.connect(journal.path)) as db, transaction(db):
        db.execute("INSERT INTO migrations VALUES(99, 'from the future', 0)")
    before = journal.path.read_bytes()
    for attempt in (
        lambda: opened(tmp_path),
        lambda: open_journal(journal.path, ZONE, T0),
        lambda: Reader(journal.path),
        lambda: OutboxStore(journal.path),
        lambda: check_whole(journal.path),
    ):
        with pytest.raises(StoreError, match=r"newer traywarden \(form 99") as refused:
            attempt()
        assert "\n" not in str(refused.value)
    assert journal.path.read_bytes() == before


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    """A database that is not ours is refused by all, neither filled nor set aside."""
    path = tmp_path / "traywarden.db"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE recipes(name)")
    before = path.read_bytes()
    for attempt in (lambda: opened(tmp_path), lambda: open_journal(path, ZONE, T0), lambda: Reader(path)):
        with pytest.raises(StoreError, match="another program"):
            attempt()
    assert path.read_bytes() == before
    assert [found.name for found in tmp_path.iterdir()] == ["traywarden.db"]


def test_a_failing_step_leaves_no_trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A step that fails half way is rolled back with its record, and runs whole at the next start."""

    def half(db: sqlite3.Connection) -> None:
        db.execute("CREATE TABLE half_done(a)")
        db.execute("SELECT no_such_column FROM half_done")

    steps = migrations.STEPS
    monkeypatch.setattr(migrations, "STEPS", (*steps, migrations.Step("fails", half)))
    with pytest.raises(sqlite3.OperationalError):
        opened(tmp_path)
    assert len(dump(tmp_path / "traywarden.db", "migrations")["migrations"]) == len(steps)
    monkeypatch.setattr(migrations, "STEPS", steps)
    with opened(tmp_path) as journal, closing(sqlite3.connect(journal.path)) as db:
        assert db.execute("SELECT 1 FROM sqlite_master WHERE name = 'half_done'").fetchone() is None


def test_a_start_killed_while_making_the_file_starts_again(tmp_path: Path) -> None:
    """An empty file, or a database without a table, is what such a start leaves: it is filled."""
    path = tmp_path / "traywarden.db"
    path.touch()
    opened(tmp_path).close()
    path.unlink()
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode=WAL")
    with pytest.raises(StoreError, match="empty"):
        Reader(path)
    found = open_journal(path, ZONE, T0)
    assert found.damage is None
    found.journal.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
