"""The timed backup, and the drill that shows it can be restored."""

import os
from contextlib import closing
from pathlib import Path

import pytest

from collector.store.connection import open_existing
from collector.store.repair.backup import check_whole
from tests.deploy.machine import Machine
from tests.store.samples import T0, full_batch, held, minutes, opened, with_series
from tests.worlds.home import make_home

READINGS = 602


@pytest.fixture
def lab(machine: Machine) -> Machine:
    """With a journal that holds 602 readings."""
    home = machine.path("/var/lib/traywarden")
    with opened(home) as journal:
        series = with_series(journal, 3)
        batch = full_batch(series[0])
        batch.rows += minutes(series, 200, T0 + 60_000)
        journal.commit(batch, T0)
    return machine


def settings(machine: Machine, **more: str) -> dict[str, str]:
    """What the unit gives the script."""
    return {
        "TRAYWARDEN_HOME": str(machine.path("/var/lib/traywarden")),
        "BACKUPS": str(machine.path("/var/backups/traywarden")),
        **more,
    }


def back_up(machine: Machine, *arguments: str, code: int = 0, **more: str) -> str:
    script = machine.path("/opt/traywarden/in-use/program/deploy/backup.sh")
    return machine.command("bash", script, *arguments, code=code, **settings(machine, **more))


def drill(machine: Machine, *arguments: str, code: int = 0) -> str:
    script = machine.path("/opt/traywarden/in-use/program/deploy/restore-drill.sh")
    return machine.command("bash", script, *arguments, code=code, **settings(machine))


def backups(machine: Machine) -> list[Path]:
    return sorted(machine.path("/var/backups/traywarden").iterdir())


def test_a_backup_holds_all_it_takes_to_restore(lab: Machine) -> None:
    """The journal, lab.yaml and the rules, whole; no secret and nothing half done."""
    lab.path("/etc/traywarden/secrets/MQTT__PASSWORD").write_text("castings-password")
    with opened(lab.path("/var/lib/traywarden")):  # while the journal is in use
        assert "backup /" in back_up(lab)
    (made,) = backups(lab)
    assert {path.name for path in made.iterdir()} == {"traywarden.db", "lab.yaml", "rules"}
    check_whole(made / "traywarden.db")
    assert held(made / "traywarden.db") == held(lab.path("/var/lib/traywarden/traywarden.db"))
    assert not any(b"castings-password" in path.read_bytes() for path in made.rglob("*") if path.is_file())


def test_the_newest_few_are_kept(lab: Machine) -> None:
    """Older ones by their name go; those with a name of their own, and what is not a backup, stay."""
    folder = lab.path("/var/backups/traywarden")
    for name in ("20200101T000000Z", "20200108T000000Z", "20200115T000000Z", "before-0.1.1", "20-notes"):
        (folder / name).mkdir()
    told = back_up(lab, KEEP="2")
    names = [path.name for path in backups(lab)]
    assert names[:2] == ["20-notes", "20200115T000000Z"]
    assert names[-1] == "before-0.1.1"
    assert len(names) == 4
    assert told.count("removed ") == 2


def test_a_backup_that_cannot_be_made_leaves_the_others(lab: Machine) -> None:
    """A damaged journal gives no backup, ends with an error, and takes no older one away."""
    folder = lab.path("/var/backups/traywarden")
    (folder / "20200101T000000Z").mkdir()
    database = lab.path("/var/lib/traywarden/traywarden.db")
    database.write_bytes(b"not a database" * 100)
    assert "traywarden.db" in back_up(lab, code=1, KEEP="1")
    assert [path.name for path in backups(lab)] == ["20200101T000000Z"]


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"KEEP": "0"}, "KEEP is '0'"),
        ({"KEEP": "many"}, "KEEP is 'many'"),
        ({"BACKUPS": "/media/not-plugged-in"}, "no such folder"),
        ({"TRAYWARDEN": "/nowhere/traywarden"}, "is not there"),
    ],
)
def test_a_wrong_setting_is_told_in_one_line(lab: Machine, more: dict[str, str], says: str) -> None:
    """And nothing is written, above all not onto the card below a stick that is not plugged in."""
    told = back_up(lab, code=1, **more)
    assert says in told
    assert told.count("\n") == 1
    assert backups(lab) == []


def test_the_drill_restores_the_newest_backup(lab: Machine) -> None:
    """With the program's own command, into a folder that is gone afterwards; it says how many readings came back."""
    back_up(lab)
    (lab.path("/var/backups/traywarden") / "before-0.1.1").mkdir()
    before = lab.snapshot()
    assert f"{READINGS} readings, rules good" in drill(lab)
    assert lab.snapshot() == before


def test_the_drill_tells_a_backup_that_cannot_be_restored(lab: Machine) -> None:
    """Rules with a mistake, a damaged journal, no journal, or no backup at all end with an error."""
    assert "holds no backup" in drill(lab, code=1)
    back_up(lab)
    (made,) = backups(lab)
    (made / "rules" / "site.yaml").write_text("alarms: [")
    assert "the rules in" in drill(lab, code=1)
    path = made / "traywarden.db"
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(4096))
    assert "cannot be restored" in drill(lab, code=1)
    path.unlink()
    assert "holds no journal" in drill(lab, code=1)
    assert [path.name for path in backups(lab)] == [made.name]


def test_a_backup_is_of_the_home_it_is_given(lab: Machine, tmp_path: Path) -> None:
    """Another home folder, with another lab, by the same script."""
    home = make_home(tmp_path / "other")
    with opened(home) as journal:
        with_series(journal, 1)
    with closing(open_existing(home / "traywarden.db")):
        back_up(lab, "--name", "other", TRAYWARDEN_HOME=str(home))
    assert (lab.path("/var/backups/traywarden/other/lab.yaml")).read_text() == (home / "lab.yaml").read_text()
    assert "there already" in back_up(lab, "--name", "other", code=1)
