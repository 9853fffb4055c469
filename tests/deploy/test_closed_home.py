"""The scripts from a checkout in a home that is closed to all others, as many systems make homes."""

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.store.batch import Batch
from tests.deploy.machine import ROOT, Machine, change, copy_checkout
from tests.store.samples import T0, held, minutes, opened, with_series

pytestmark = pytest.mark.skipif(not ROOT, reason="only root can become another user")
PLACES = "prefix=/opt/traywarden home=/var/lib/traywarden backups=/var/backups/traywarden config=/etc/traywarden"
OTHERS = "units=/etc/systemd/system command=/usr/local/bin/traywarden user=traywarden"


class ClosedHome:
    """An installation whose places are all in one folder, and whose user is 'nobody': not a tree of another machine,
    so that what runs as the service's user really does. The checkout lies beside it, in a home for root alone."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.home = folder, folder / "closed"
        self.home.mkdir()
        self.home.chmod(0o700)
        self.checkout = self.home / "traywarden"
        copy_checkout(self.checkout)
        lib = self.checkout / "deploy/lib.sh"
        change(lib, PLACES, f"prefix={folder}/opt home={folder}/lab backups={folder}/backups config={folder}/etc")
        change(lib, OTHERS, f"units={folder}/units command={folder}/traywarden user=nobody")
        change(lib, "managed() {", "managed() { false; }\nwas_managed() {")
        self.machine = Machine(folder)
        self.machine.bin.mkdir()
        python = self.machine.bin / "python3.13"
        python.symlink_to(python_for_all())
        venv_id = f'root={self.checkout}; . deploy/venv.sh; . deploy/lib.sh; venv_id "$(any_python)"'
        venv = folder / "opt/venvs" / self.bash(venv_id)
        self.machine.command(python, "-m", "venv", "--without-pip", venv)
        (packages,) = (venv / "lib").glob("python3*/site-packages")
        ours = next(path for path in map(Path, sys.path) if path.name == "site-packages" and (path / "numpy").is_dir())
        (packages / "tests.pth").write_text(f"{ours}\n", encoding="utf-8")

    def bash(self, line: str, code: int = 0, **more: str) -> str:
        """From within the checkout, as a person types it."""
        return self.machine.command("env", "-C", self.checkout, "bash", "-euc", line, code=code, **more).strip()

    def as_service(self, line: str, code: int = 0) -> str:
        """The same as the service's user, who cannot enter the folder it is called in."""
        return self.bash(f"exec setpriv --reuid 65534 --regid 65534 --clear-groups -- {line}", code)

    def version(self) -> str:
        return (self.folder / "opt/in-use").readlink().name.split("-")[0]


def python_for_all() -> Path:
    """A Python like ours that the service's user can run; ours may lie in a home itself."""
    name = f"python3.{sys.version_info.minor}"
    drop = ["setpriv", "--reuid", "65534", "--clear-groups", "--regid", "65534", "env"]
    for folder in (Path(sys.base_prefix) / "bin", Path("/usr/local/bin"), Path("/usr/bin")):
        words = [*drop, str(folder / name), "-c", ""]
        if subprocess.run(words, check=False, capture_output=True).returncode == 0:
            return folder / name
    pytest.fail(f"no {name} is there that all can run; install one, for example with apt")


@pytest.fixture
def lab() -> Iterator[ClosedHome]:
    """Installed, with a journal of the service's user."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    try:
        yield installed_in(folder)
    finally:
        shutil.rmtree(folder)


def installed_in(folder: Path) -> ClosedHome:
    made = ClosedHome(folder)
    made.bash("deploy/install.sh")
    with opened(folder / "lab") as journal:
        series = with_series(journal, 3)
        journal.commit(Batch(rows=minutes(series, 50)), T0)
    made.bash(f"chown -R nobody: {folder}/lab")
    return made


def test_install_upgrade_and_the_way_back_work_from_a_closed_home(lab: ClosedHome) -> None:
    """What runs as the service's user is what was installed: nothing of it is read from the checkout, and the folder
    that the script was called in is not needed. The backup in between is the service's."""
    journal = lab.folder / "lab/traywarden.db"
    readings = held(journal)
    assert (lab.folder / "lab/lab.yaml").stat().st_uid == 65534
    change(lab.checkout / "pyproject.toml", 'version = "0.1.0"', 'version = "0.2.0"')
    told = lab.bash("deploy/upgrade.sh")
    assert "upgraded from 0.1.0-" in told
    assert lab.version() == "0.2.0"
    (saved,) = (lab.folder / "backups").iterdir()
    assert saved.stat().st_uid == 65534
    assert held(saved / "traywarden.db") == readings
    assert "back from 0.2.0-" in lab.bash("deploy/go-back.sh")
    assert lab.version() == "0.1.0"
    assert held(journal) == readings


def test_backups_and_the_drill_need_nothing_of_the_folder_they_are_called_in(lab: ClosedHome) -> None:
    """Called with sudo from a closed home, as the documents say: older backups go, the newest one comes back."""
    scripts, backups = lab.folder / "opt/in-use/program/deploy", lab.folder / "backups"
    for name in ("20260101T000000Z", "20260102T000000Z"):
        (backups / name).mkdir()
    said = lab.as_service(f"env BACKUPS={backups} KEEP=1 TRAYWARDEN_HOME={lab.folder}/lab bash {scripts}/backup.sh")
    assert said.count("removed") == 2
    assert "Permission denied" not in said
    assert len(list(backups.iterdir())) == 1
    said = lab.as_service(f"env BACKUPS={backups} bash {scripts}/restore-drill.sh")
    assert "150 readings, rules good" in said


def test_a_python_in_a_closed_home_is_refused(lab: ClosedHome) -> None:
    """The services could not start with it: said before anything is made, and what is installed stays in use."""
    (lab.home / "bin").mkdir()
    (lab.home / "bin/python3.13").write_text('#!/bin/sh\nexec python3 "$@"\n')
    (lab.home / "bin/python3.13").chmod(0o755)
    change(lab.checkout / "pyproject.toml", 'version = "0.1.0"', 'version = "0.2.0"')
    told = lab.bash("deploy/upgrade.sh", code=1, PATH=f"{lab.home}/bin:/usr/sbin:/usr/bin:/sbin:/bin")
    assert f"nobody cannot run {lab.home}/bin/python3.13" in told
    assert lab.version() == "0.1.0"
