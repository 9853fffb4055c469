"""Upgrades and the way back, with the journal migrated both ways, on a machine made of a folder."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.store.migrations import STEPS
from tests.deploy.machine import Machine, change
from tests.store.samples import T0, dump, full_batch, held, minutes, opened, with_series

Another = Callable[[str], Path]
FORM = len(STEPS)
_STARTS = """
import sys
from pathlib import Path
from collector.store.journal import Journal
Journal(Path(sys.argv[1]), "America/New_York", 1772438400000).close()
"""
WAY_BACK = 'lambda db: None if db.execute("DROP TABLE tried") else None'


@pytest.fixture
def lab(machine: Machine) -> Machine:
    """With a journal of this version."""
    with opened(machine.path("/var/lib/traywarden")) as journal:
        series = with_series(journal, 3)
        batch = full_batch(series[0])
        batch.rows += minutes(series, 50, T0 + 60_000)
        journal.commit(batch, T0)
    return machine


def with_step(checkout: Path, back: str) -> Path:
    """That version has one more form of the journal, with this way back."""
    create = "lambda db: db.execute('CREATE TABLE tried(a)') and None"
    path = checkout / "collector/store/migrations.py"
    change(path, "\n)\n\n\ndef version(db", f"\n    Step('tried', {create}, {back}),\n)\n\n\ndef version(db")
    return checkout


def start(machine: Machine) -> None:
    """What the collector does to the journal when it starts."""
    current = machine.path("/opt/traywarden/in-use")
    journal = str(machine.path("/var/lib/traywarden/traywarden.db"))
    machine.command(current / "venv/bin/python", "-P", "-c", _STARTS, journal, PYTHONPATH=str(current / "program"))


def journal(machine: Machine) -> Path:
    return machine.path("/var/lib/traywarden/traywarden.db")


def form(machine: Machine) -> int:
    return len(dump(journal(machine), "migrations")["migrations"])


def version(machine: Machine, link: str = "in-use", *, whole: bool = False) -> str:
    """The version a link leads to, by its number, or by the whole name of its folder."""
    path = machine.path(f"/opt/traywarden/{link}")
    name = path.readlink().name if path.is_symlink() else ""
    return name if whole else name.split("-")[0]


def test_an_upgrade_and_the_way_back_keep_every_reading(lab: Machine, another: Another) -> None:
    """The journal goes to the new form when the collector starts, and back on the way back; the lab's files stay.
    What nobody can go back to any more is taken off the disk."""
    leftovers = (
        "/opt/traywarden/versions/0.0.9-old",
        "/opt/traywarden/venvs/old",
        "/var/backups/traywarden/before-0.0.9",
    )
    for path in leftovers:
        lab.path(path).mkdir()
    readings, lab_yaml = held(journal(lab)), lab.path("/var/lib/traywarden/lab.yaml").read_bytes()
    newer = with_step(another("0.2.0"), WAY_BACK)

    lab.run("upgrade.sh", checkout=newer)
    assert (version(lab), version(lab, "before")) == ("0.2.0", "0.1.0")
    assert [path for path in leftovers if lab.path(path).exists()] == []
    assert form(lab) == FORM
    start(lab)
    assert form(lab) == FORM + 1
    assert held(journal(lab)) == readings

    told = lab.run("go-back.sh", checkout=newer)
    assert f"from form {FORM + 1} to {FORM}, with every reading" in told
    assert (version(lab), version(lab, "before")) == ("0.1.0", "")
    assert form(lab) == FORM
    assert held(journal(lab)) == readings
    assert lab.path("/var/lib/traywarden/lab.yaml").read_bytes() == lab_yaml
    assert f"{len(readings)} held" in lab.traywarden("status")


def test_where_there_is_no_way_back_the_backup_returns(lab: Machine, another: Another) -> None:
    """The backup made by the upgrade is put in place, and the journal of the new form stays beside it. Without that
    backup nothing is switched: the newer version stays in use, with its journal."""
    readings, backups = held(journal(lab)), lab.path("/var/backups/traywarden")
    newer = with_step(another("0.2.0"), "None")
    lab.run("upgrade.sh", checkout=newer)
    start(lab)

    backups.rename(lab.folder / "away")
    assert "stays in use" in lab.run("go-back.sh", checkout=newer, code=1)
    assert (version(lab), version(lab, "before"), form(lab)) == ("0.2.0", "0.1.0", FORM + 1)

    (lab.folder / "away").rename(backups)
    told = lab.run("go-back.sh", checkout=newer)
    assert "no way back from form" in told
    assert "putting the backup from before the upgrade in place" in told
    assert (version(lab), form(lab)) == ("0.1.0", FORM)
    assert held(journal(lab)) == readings
    (kept,) = journal(lab).parent.glob("traywarden.db.replaced-*Z")
    assert len(dump(kept, "migrations")["migrations"]) == FORM + 1


def test_nothing_is_switched_before_all_is_sure(lab: Machine, another: Another) -> None:
    """A version that cannot read lab.yaml says which line; a journal that cannot be copied is not handed on."""
    newer = another("0.2.0")
    lab_yaml = lab.path("/var/lib/traywarden/lab.yaml")
    good = lab_yaml.read_text()
    lab_yaml.write_text(good.replace("altitude:", "altitud:"))
    told = lab.run("upgrade.sh", checkout=newer, code=1)
    assert "lab.altitud" in told
    assert "stays in use" in told
    assert list(lab.path("/var/backups/traywarden").iterdir()) == []
    lab_yaml.write_text(good)
    journal(lab).write_bytes(b"not a database" * 100)
    assert "no backup could be made" in lab.run("upgrade.sh", checkout=newer, code=1)
    assert (version(lab), version(lab, "before")) == ("0.1.0", "")


def test_the_same_release_is_nothing_to_do(lab: Machine) -> None:
    """And there is nothing to go back to before the first upgrade."""
    before = lab.snapshot()
    assert "nothing to do" in lab.run("upgrade.sh")
    assert "no earlier version" in lab.run("go-back.sh", code=1)
    assert lab.snapshot() == before


def with_old_names(machine: Machine) -> Machine:
    """As an older installer left it: other names for the same folders, in its units and in its own scripts too."""
    prefix = machine.path("/opt/traywarden")
    (prefix / "versions").rename(prefix / "releases")
    name = version(machine, whole=True)
    (prefix / "in-use").unlink()
    (prefix / "current").symlink_to(f"releases/{name}")
    own = prefix / "releases" / name / "program" / "deploy"
    (own / "go-back.sh").rename(own / "rollback.sh")
    for path in (
        *own.glob("systemd/traywarden*.service"),
        own / "traywarden-command.sh",
        *machine.path("/etc/systemd/system").glob("traywarden*.service"),
        machine.path("/usr/local/bin/traywarden"),
    ):
        text, mode = path.read_text(), path.stat().st_mode
        path.unlink()  # other machines share the file
        path.write_text(text.replace("/in-use/", "/current/"))
        path.chmod(mode)
    return machine


def names(machine: Machine) -> set[str]:
    """What is in the prefix."""
    return {path.name for path in machine.path("/opt/traywarden").iterdir()}


def started_by(machine: Machine) -> set[str]:
    """Whence the units and the command start the program."""
    units = machine.path("/etc/systemd/system").glob("traywarden*.service")
    texts = [path.read_text() for path in (*units, machine.path("/usr/local/bin/traywarden"))]
    return {found for text in texts for found in re.findall(r"/opt/traywarden/[a-z-]+/", text)}


def test_an_older_layout_is_taken_over(lab: Machine, another: Another) -> None:
    """An installation with the folders of an older installer is upgraded like any other; the way back leads to the
    older version, with the names that its own scripts know. The installer leaves such a one alone."""
    readings = held(journal(lab))
    with_old_names(lab)
    assert "use deploy/upgrade.sh, which takes it over" in lab.run("install.sh", code=1, checkout=another("0.1.0"))
    newer = another("0.2.0")
    before = lab.snapshot()
    assert "would take over what is installed" in lab.run("upgrade.sh", "--dry-run", checkout=newer)
    assert lab.snapshot() == before

    lab.run("upgrade.sh", checkout=newer)
    assert (version(lab), version(lab, "before")) == ("0.2.0", "0.1.0")
    assert names(lab) == {"versions", "venvs", "in-use", "before"}
    assert started_by(lab) == {"/opt/traywarden/in-use/"}
    assert f"{len(readings)} held" in lab.traywarden("status")

    lab.run("go-back.sh", checkout=newer)
    assert (version(lab), version(lab, "current")) == ("0.1.0", "0.1.0")
    assert started_by(lab) == {"/opt/traywarden/in-use/"}
    assert f"{len(readings)} held" in lab.command(
        lab.path("/opt/traywarden/current/traywarden"), "status", "--home", lab.path("/var/lib/traywarden")
    )
    lab.run("upgrade.sh", checkout=newer)
    assert names(lab) == {"versions", "venvs", "in-use", "before"}
    lab.run("uninstall.sh")
    assert not lab.path("/opt/traywarden").exists()


def test_a_takeover_cut_off_half_way_is_ended_by_the_next(lab: Machine, another: Another) -> None:
    """Whatever step the power went at: after the folder was renamed, the next run finds it."""
    prefix = with_old_names(lab).path("/opt/traywarden")
    (prefix / "releases").rename(prefix / "versions")
    lab.run("upgrade.sh", checkout=another("0.2.0"))
    assert (version(lab), version(lab, "before")) == ("0.2.0", "0.1.0")
    assert names(lab) == {"versions", "venvs", "in-use", "before"}


def test_upgrading_needs_something_to_upgrade(machine: Machine) -> None:
    """On a machine without an installation it names the installer."""
    machine.run("uninstall.sh")
    assert "use deploy/install.sh" in machine.run("upgrade.sh", code=1)
