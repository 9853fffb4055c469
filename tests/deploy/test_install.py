"""The installer and the uninstaller, on a machine made of a folder."""

import os
import shutil
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.deploy.machine import CHECKOUT, ROOT, Machine

THERE = {
    "/opt/traywarden": (0o755, "root"),
    "/opt/traywarden/versions": (0o755, "root"),
    "/opt/traywarden/in-use/traywarden": (0o755, "root"),
    "/opt/traywarden/in-use/program/collector/cli/main.py": (0o644, "root"),
    "/opt/traywarden/in-use/program/deploy/install.sh": (0o755, "root"),
    "/var/lib/traywarden": (0o750, "traywarden"),
    "/var/lib/traywarden/lab.yaml": (0o600, "traywarden"),
    "/var/lib/traywarden/rules/site.yaml": (0o600, "traywarden"),
    "/var/backups/traywarden": (0o750, "traywarden"),
    "/etc/traywarden": (0o755, "root"),
    "/etc/traywarden/secrets": (0o700, "root"),
    "/etc/traywarden/settings": (0o644, "root"),
    "/etc/systemd/system/traywarden.service": (0o644, "root"),
    "/etc/systemd/system/traywarden-board.service": (0o644, "root"),
    "/etc/systemd/system/traywarden-backup.service": (0o644, "root"),
    "/etc/systemd/system/traywarden-backup.timer": (0o644, "root"),
    "/etc/systemd/system/traywarden-again.timer": (0o644, "root"),
    "/etc/systemd/system/traywarden-new-session.path": (0o644, "root"),
    "/etc/systemd/system/traywarden-new-session.service": (0o644, "root"),
    "/usr/local/bin/traywarden": (0o755, "root"),
}


def owner(machine: Machine, name: str) -> int:
    """The user's number in the tree; without root everything is ours."""
    if not ROOT:
        return os.geteuid()
    lines = machine.path("/etc/passwd").read_text().splitlines()
    users = {line.split(":")[0]: int(line.split(":")[2]) for line in lines}
    return users.get(name, 0)


@pytest.mark.parametrize("path", THERE)
def test_each_file_is_there_with_its_mode_and_owner(installed: Machine, path: str) -> None:
    """Program and settings are root's, the lab is the service's, secrets are for root alone."""
    mode, user = THERE[path]
    found = installed.path(path).stat()
    assert (oct(stat.S_IMODE(found.st_mode)), found.st_uid) == (oct(mode), owner(installed, user))


def test_nothing_is_left_half_done(installed: Machine) -> None:
    """No file of the work in between stays behind, and nothing but the lab and its backups can be written by others."""
    left = [path for path in installed.tree.rglob("*") if path.name.endswith(".part") and not path.is_symlink()]
    open_to_all = [path for path in installed.tree.rglob("*") if not path.is_symlink() and path.stat().st_mode & 0o022]
    assert (left, open_to_all) == ([], [])


def test_the_service_has_a_user_of_its_own(installed: Machine, said: str) -> None:
    """A system user without a shell and a password; without root the installer says that it made none."""
    if not ROOT:
        assert "not root: no user is made" in said
        return
    (line,) = [
        line for line in installed.path("/etc/passwd").read_text().splitlines() if line.startswith("traywarden:")
    ]
    _name, _word, number, _group, _about, home, shell = line.split(":")
    assert 0 < int(number) < 1000
    assert (home, shell) == ("/var/lib/traywarden", "/usr/sbin/nologin")
    assert "traywarden:!" in installed.path("/etc/shadow").read_text()


def test_the_installed_program_runs(installed: Machine) -> None:
    """From its own folder, with its own copy of everything: the first lab.yaml and the rules are good."""
    assert "alarms, good" in installed.traywarden("rules", "check")


def test_the_installed_program_takes_no_module_of_the_folder_it_is_called_in(machine: Machine) -> None:
    """Called from within a checkout, it is still the version that runs."""
    (machine.folder / "collector").mkdir()
    (machine.folder / "collector" / "__init__.py").write_text("raise SystemExit('the wrong one')")
    program, home = machine.path("/opt/traywarden/in-use/traywarden"), machine.path("/var/lib/traywarden")
    told = machine.command("env", "-C", machine.folder, program, "rules", "check", "--home", home)
    assert "alarms, good" in told


def test_a_second_run_changes_nothing(machine: Machine) -> None:
    """Not a mode, not an owner, not a time of change; and it says so."""
    before = machine.snapshot()
    assert "nothing to change" in machine.run("install.sh")
    assert machine.snapshot() == before


def test_what_a_person_changed_stays(machine: Machine) -> None:
    """lab.yaml, rules, settings, secrets and backups are never overwritten."""
    mine = {
        "/var/lib/traywarden/lab.yaml": "lab: mine",
        "/var/lib/traywarden/rules/site.yaml": "alarms: {}",
        "/etc/traywarden/settings": "TRAYWARDEN_MQTT__HOST=192.0.2.7\n",
        "/etc/traywarden/backup": "KEEP=9\n",
        "/etc/traywarden/secrets/MQTT__PASSWORD": "castings\n",
    }
    for path, text in mine.items():
        machine.path(path).write_text(text)
    machine.run("install.sh")
    assert {path: machine.path(path).read_text() for path in mine} == mine


def test_what_was_spoilt_is_mended(machine: Machine) -> None:
    """A unit that is gone, a mode that is too open and a link that leads nowhere come back by another run."""
    machine.path("/etc/systemd/system/traywarden.service").unlink()
    machine.path("/etc/traywarden/secrets").chmod(0o755)
    machine.path("/opt/traywarden/in-use").unlink()
    wanted = set(machine.run("install.sh").splitlines())
    assert {
        "write /etc/systemd/system/traywarden.service",
        "give the folder /etc/traywarden/secrets mode 0700",
    } <= wanted
    assert "nothing to change" in machine.run("install.sh")
    assert stat.S_IMODE(machine.path("/etc/traywarden/secrets").stat().st_mode) == 0o700


def test_a_run_that_was_cut_off_is_done_again(machine: Machine) -> None:
    """Half a version of a run that lost its power is thrown away, and a whole one made."""
    version = machine.path("/opt/traywarden/in-use").resolve()
    half = version.with_name(f"{version.name}.part")
    version.rename(half)
    (half / "program" / "collector" / "cli" / "main.py").unlink()
    machine.run("install.sh")
    assert not half.exists()
    assert "usage" in machine.traywarden("rules", "check", "--help")


def test_a_dry_run_only_tells(machine: Machine, tmp_path: Path) -> None:
    """Into an empty tree: everything that would be done is named, and nothing is."""
    empty = Machine(tmp_path / "empty")
    told = machine.command("bash", machine.checkout / "deploy/install.sh", "--dry-run", "--root", empty.tree)
    assert "would make the folder /var/lib/traywarden" in told
    assert "would write /etc/systemd/system/traywarden.service" in told
    assert not empty.tree.exists()


def test_another_release_is_not_mixed_in(machine: Machine, another: Callable[[str], Path]) -> None:
    """A checkout that differs in one byte is another version, and takes the way with a backup."""
    before = machine.snapshot()
    assert "use deploy/upgrade.sh" in machine.run("install.sh", checkout=another("0.1.1"), code=1)
    assert machine.snapshot() == before


def test_another_prefix_reaches_every_file(machine: Machine) -> None:
    """Units and the command name the prefix they were installed with, and no other; one unit runs nothing of ours."""
    machine.path("/srv").mkdir()
    machine.path("/opt/traywarden").rename(machine.path("/srv/worms"))
    machine.run("install.sh", "--prefix", "/srv/worms")
    for path in (
        *machine.path("/etc/systemd/system").glob("traywarden*.service"),
        machine.path("/usr/local/bin/traywarden"),
    ):
        assert "/srv/worms" in path.read_text() or path.name == "traywarden-new-session.service"
        assert "/opt/traywarden" not in path.read_text()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--prefix", "relative"], "--prefix must be a path"),
        (["--prefix", "/"], "--prefix must be a path"),
        (["--prefix", "/opt/a b"], "--prefix may hold letters"),
        (["--frobnicate"], "'--frobnicate' is not an option"),
        (["--wheels"], "--wheels needs a folder"),
    ],
)
def test_a_wrong_option_is_told_in_one_line(installed: Machine, arguments: list[str], says: str) -> None:
    """And nothing is done."""
    script = installed.checkout / "deploy/install.sh"
    told = installed.command("bash", script, "--root", installed.tree, *arguments, code=1)
    assert says in told
    assert told.count("\n") == 1


def test_nobody_but_root_installs_on_the_machine_itself() -> None:
    """Without root and without a tree it ends before anything is touched."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        shutil.copytree(CHECKOUT / "deploy", Path(folder) / "deploy", ignore=shutil.ignore_patterns("probe"))
        shutil.copy2(CHECKOUT / "pyproject.toml", folder)
        as_nobody = ["setpriv", "--reuid", "65534", "--regid", "65534", "--clear-groups"] if ROOT else []
        for script in (
            "install.sh",
            "uninstall.sh",
            "upgrade.sh",
            "go-back.sh",
            "secure-broker.sh",
            "add-probe.sh x",
            "remove-probe.sh x",
        ):
            words = [*as_nobody, "bash", *f"{folder}/deploy/{script}".split()]
            told = Machine(Path(folder)).command(*words, code=1)
            assert "must run as root (sudo)" in told


def test_help_is_the_head_of_the_script(installed: Machine) -> None:
    """Each script explains itself."""
    for script in (
        "install.sh",
        "uninstall.sh",
        "upgrade.sh",
        "go-back.sh",
        "secure-broker.sh",
        "add-probe.sh",
        "remove-probe.sh",
    ):
        told = installed.command("bash", installed.checkout / "deploy" / script, "--help")
        assert f"deploy/{script}" in told
        assert "--root DIR" in told
        assert "set -e" not in told


def test_uninstalling_keeps_the_lab(machine: Machine) -> None:
    """The program, its units and its command go; readings, lab.yaml, settings, secrets and backups stay."""
    machine.path("/var/lib/traywarden/traywarden.db").write_text("readings")
    machine.path("/etc/traywarden/secrets/MQTT__PASSWORD").write_text("castings")
    told = machine.run("uninstall.sh")
    assert "kept: /var/lib/traywarden" in told
    assert not machine.path("/opt/traywarden").exists()
    assert not machine.path("/usr/local/bin/traywarden").exists()
    assert list(machine.path("/etc/systemd/system").glob("traywarden*")) == []
    assert machine.path("/var/lib/traywarden/traywarden.db").read_text() == "readings"
    assert machine.path("/etc/traywarden/secrets/MQTT__PASSWORD").exists()
    assert machine.path("/var/backups/traywarden").is_dir()


def test_purging_is_said_twice(machine: Machine) -> None:
    """Once is refused and changes nothing; twice leaves nothing, not even the user."""
    before = machine.snapshot()
    assert "say it twice" in machine.run("uninstall.sh", "--purge", code=1)
    assert machine.snapshot() == before
    machine.run("uninstall.sh", "--purge", "--purge")
    for path in ("/var/lib/traywarden", "/etc/traywarden", "/var/backups/traywarden", "/opt/traywarden"):
        assert not machine.path(path).exists()
    if ROOT:
        assert "traywarden" not in machine.path("/etc/passwd").read_text()


def test_a_secret_is_for_root_alone(machine: Machine) -> None:
    """Written by its short or its full name, mode 0600, never printed; a name that is none is refused."""
    told = machine.run("set-secret.sh", "--random", "TRAYWARDEN_BOARD__LINK_SECRET")
    path = machine.path("/etc/traywarden/secrets/BOARD__LINK_SECRET")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert len(path.read_text().strip()) == 48
    assert path.read_text().strip() not in told
    assert "is not a setting" in machine.run("set-secret.sh", "../password", code=1)
    assert "nothing was given" in machine.run("set-secret.sh", "MAIL__PASSWORD", code=1)
