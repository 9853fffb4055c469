"""Back to the form of an older program: every reading stays, what cannot stay is told, nothing is lost for good."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.cli.main import main
from collector.store import migrations
from collector.store.connection import transaction
from collector.store.errors import HomeLocked, StoreError
from collector.store.homelock import HomeLock
from collector.store.repair.backup import check_whole
from collector.store.repair.downgrade import downgrade
from tests.store.samples import HOUR, T0, dump, held, opened

FORMS = range(1, len(migrations.STEPS) + 1)
STORED = [int(path.stem.removeprefix("version_")) for path in Path(__file__).parent.glob("version_*.sql")]
KEPT = ("series", "alarm_states", "alarm_history", "outbox", "unplaced", "rejected", "requests", "meta")


def from_text(folder: Path, version: int) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "traywarden.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(Path(__file__).with_name(f"version_{version}.sql").read_text())
    return path


def form(path: Path) -> dict[str, object]:
    """Tables with their columns, indices and triggers, however their text is laid out."""
    with closing(sqlite3.connect(path)) as db:
        names = db.execute("SELECT type, name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'").fetchall()
        shape = {f"{kind} {name}": db.execute(f"PRAGMA table_xinfo({name})").fetchall() for kind, name in names}
        return shape | {"mark": db.execute("PRAGMA application_id").fetchone()}


def change(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as db, transaction(db):
        for statement in statements:
            db.execute(statement)


@pytest.mark.parametrize("version", STORED)
def test_up_and_down_again_gives_the_same_form_and_readings(tmp_path: Path, version: int) -> None:
    """A journal of each past form, brought up by this program and taken back, has that form, all its readings and the
    rows of every table that both forms know."""
    path = from_text(tmp_path, version)
    shape, readings, rows = form(path), held(path), dump(path, *KEPT)
    opened(tmp_path, now_ms=T0 + HOUR).close()

    done = downgrade(path, version, T0 + HOUR)

    assert form(path) == shape
    assert held(path) == readings
    assert dump(path, *KEPT) == rows
    assert done.before == len(migrations.STEPS)
    assert [n for n, _name, _at in dump(path, "migrations")["migrations"]] == list(range(1, version + 1))


@pytest.mark.parametrize("to", FORMS)
def test_down_and_up_again_gives_a_whole_journal_of_today(tmp_path: Path, to: int) -> None:
    """From today's form back to any other, then upgraded again: the form of a new journal, with all readings."""
    path = from_text(tmp_path, max(STORED))
    opened(tmp_path).close()
    shape, readings = form(path), held(path)

    downgrade(path, to, T0)
    opened(tmp_path).close()

    assert form(path) == shape
    assert held(path) == readings
    check_whole(path)


def test_the_journal_as_it_was_is_kept_beside_it(tmp_path: Path) -> None:
    """Before anything changes, a checked copy is made; it holds what the older form does not."""
    path = from_text(tmp_path, max(STORED))
    opened(tmp_path).close()
    diary = dump(path, "diary")

    done = downgrade(path, 2, T0)

    assert done.kept == tmp_path / f"traywarden.db.form-{len(migrations.STEPS)}-20260302T080000Z"
    check_whole(done.kept)
    assert dump(done.kept, "diary") == diary
    assert ("entries of the diary", 1) in done.lost
    assert ("brews", 1) in done.lost


def test_what_is_held_back_goes_to_its_condition(tmp_path: Path) -> None:
    """An older program never ends a shelving or puts a probe back, so people hear of what stands; it is said."""
    path = from_text(tmp_path, max(STORED))
    opened(tmp_path).close()
    change(path, "UPDATE alarm_states SET state = 'shelved', shelved_by = 'teacher'")
    change(path, "UPDATE alarm_history SET event = 'latched', note = 'door open'")

    done = downgrade(path, 3, T0)

    assert dump(path, "alarm_states")["alarm_states"][0][2] == "unacknowledged"
    assert dump(path, "alarm_history")["alarm_history"] == []
    assert dict(done.lost) == {
        "alarms held back (shelved, suppressed or out of service)": 1,
        "notes on alarms in their history": 1,
        "latchings and resets in the history of alarms": 1,
    }


def test_each_step_but_the_first_has_a_way_back() -> None:
    """So that whoever upgrades can always return without losing readings."""
    assert [step.name for step in migrations.STEPS[1:] if step.back is None] == []


def test_a_step_without_a_way_back_is_refused_before_anything_changes(tmp_path: Path) -> None:
    """The first step has none: there is nothing below form 1, and forms that never were are refused too."""
    path = from_text(tmp_path, max(STORED))
    opened(tmp_path).close()
    before = path.read_bytes()
    for to in (0, -1, len(migrations.STEPS) + 1):
        with pytest.raises(StoreError, match=f"there is no form {to}"):
            downgrade(path, to, T0)
    assert path.read_bytes() == before


def test_a_way_that_is_closed_names_its_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A later step without a way back sends to the backup, and nothing is copied or changed."""
    path = from_text(tmp_path, max(STORED))
    opened(tmp_path).close()
    last = migrations.Step("one way", lambda db: None)
    monkeypatch.setattr(migrations, "STEPS", (*migrations.STEPS, last))
    monkeypatch.setattr("collector.store.repair.downgrade.STEPS", migrations.STEPS)
    opened(tmp_path).close()

    with pytest.raises(StoreError, match=f"no way back from form {len(migrations.STEPS)}; restore a backup"):
        downgrade(path, 1, T0)
    assert not list(tmp_path.glob("*.form-*"))


def test_a_step_back_that_fails_leaves_the_form_as_it_was(tmp_path: Path) -> None:
    """All steps back are one transaction."""
    path = from_text(tmp_path, max(STORED))
    opened(tmp_path).close()
    change(path, "DROP INDEX outbox_state")  # which the step back from form 2 expects
    shape = form(path)

    with pytest.raises(sqlite3.OperationalError):
        downgrade(path, 1, T0)

    assert form(path) == shape


def test_the_command_says_what_it_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It names the forms, what is left out and where the old journal is; a second time there is nothing to do."""
    from_text(tmp_path, max(STORED))
    opened(tmp_path).close()

    assert main(["downgrade", "--to", "2", "--home", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert f"from form {len(migrations.STEPS)} to 2, with every reading" in said
    assert "1 entries of the diary" in said
    assert "kept as" in said
    assert main(["downgrade", "--to", "2", "--home", str(tmp_path)]) == 0
    assert "nothing to do" in capsys.readouterr().out
    assert main(["downgrade", "--to", "3", "--home", str(tmp_path)]) == 1
    assert "in form 2 already" in capsys.readouterr().err


def test_a_running_collector_is_left_alone(tmp_path: Path) -> None:
    """Whoever holds the home folder keeps it."""
    path = from_text(tmp_path, max(STORED))
    with HomeLock(tmp_path), pytest.raises(HomeLocked, match="stop it first"):
        downgrade(path, 1, T0)
