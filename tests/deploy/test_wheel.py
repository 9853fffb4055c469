"""The built wheel alone, in an environment that holds what the locks name and nothing else, away from the checkout."""

import json
import os
import re
import signal
import subprocess
import sys
import zipfile
from importlib.metadata import files
from pathlib import Path

import pytest

from collector import __version__
from tests.deploy.machine import CHECKOUT
from tests.deploy.stand_ins import LOCKS, locked
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until

UPLINK = "import collector.uplink.writer, collector.board.serving"
"""What is loaded only where it is set up; every documented installation has what it needs."""


class Installed:
    """The wheel in an environment of the packages of one lock, which are those of the tests by links."""

    def __init__(self, folder: Path, wheel: Path, lock: str) -> None:
        self.venv, self.empty = folder / "venv", folder / "empty"
        self.empty.mkdir()
        subprocess.run([sys.executable, "-m", "venv", "--without-pip", self.venv], check=True)
        (packages,) = self.venv.glob("lib/python3*/site-packages")
        for pin in locked(lock):
            for file in files(pin.name) or ():
                top = packages / file.parts[0]
                if file.parts[0] != ".." and not top.exists():
                    top.symlink_to(Path(str(file.locate())).parents[len(file.parts) - 1] / file.parts[0])
        pip = [sys.executable, "-m", "pip", "--python", str(self.venv / "bin/python"), "install", "-qq", "--no-index"]
        subprocess.run([*pip, "--no-deps", str(wheel)], check=True, env=self.environment())

    def environment(self) -> dict[str, str]:
        """Nothing of ours, and no way back to the checkout."""
        names = ("PATH", "LANG", "TMPDIR")
        return {name: os.environ[name] for name in names if name in os.environ} | {"HOME": str(self.empty)}

    def words(self, program: str, *arguments: str) -> list[str]:
        return [str(self.venv / "bin" / program), *arguments]

    def run(self, program: str, *arguments: str) -> str:
        """What it printed. Fails unless all went well."""
        done = subprocess.run(
            self.words(program, *arguments),
            cwd=self.empty,
            env=self.environment(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, f"{arguments}: {done.stdout}{done.stderr}"
        return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built as anybody would, with what the lock of the tests holds and without the network."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=CHECKOUT, check=True, capture_output=True)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, wheel: Path) -> Installed:
    return Installed(tmp_path_factory.mktemp("service"), wheel, LOCKS[0])


def test_it_says_where_its_types_are_and_reads_well_elsewhere(wheel: Path) -> None:
    """Both packages are marked as typed. The long description, read outside the checkout, holds no link to a file that
    is not there: it names the file instead."""
    with zipfile.ZipFile(wheel) as packed:
        names = packed.namelist()
        (about,) = [packed.read(name).decode() for name in names if name.endswith(".dist-info/METADATA")]
    assert {"collector/py.typed", "sim_sensors/py.typed"} <= set(names)
    assert "Classifier: Typing :: Typed" in about
    described = about.partition("\n\n")[2]
    links = re.findall(r"\]\(([^)]*)\)", described)
    assert [link for link in links if not re.match(r"[a-z]+:|#", link)] == []
    assert "`deploy/INSTALL.md`" in described
    assert "[deploy/INSTALL.md](deploy/INSTALL.md)" in (CHECKOUT / "README.md").read_text(encoding="utf-8")


def test_both_programs_tell_their_version(service: Installed) -> None:
    """The project's, by the wheel's own files: the checkout is out of reach. Uplink and board can be loaded."""
    for program in ("traywarden", "traywarden-sim"):
        assert service.run(program, "--version") == f"{program} {__version__}\n"
    assert service.run("python", "-c", UPLINK) == ""
    where = "import collector, sim_sensors; print(collector.__file__, sim_sensors.__file__)"
    assert str(CHECKOUT) not in service.run("python", "-c", where)


def test_the_simulator_runs_from_the_wheel(service: Installed) -> None:
    """Its scenarios are there, and one is played into a file."""
    assert "school-demo" in service.run("traywarden-sim", "list")
    service.run("traywarden-sim", "run", "quiet", "--duration", "30min", "--no-broker", "packs.jsonl")
    assert len((service.empty / "packs.jsonl").read_text(encoding="utf-8").splitlines()) > 20


@pytest.mark.service
def test_a_lab_runs_from_the_wheel(service: Installed, mosquitto: Mosquitto, tmp_path: Path) -> None:
    """`init` writes a lab with the rules that ship, `watch` connects, keeps a reading and ends in order."""
    home, log = tmp_path / "home", tmp_path / "log"
    service.run("traywarden", "init", "--home", str(home))
    assert "alarms, good" in service.run("traywarden", "rules", "check", "--home", str(home))
    settings = service.environment() | {"TRAYWARDEN_MQTT__PORT": str(mosquitto.port)}
    with log.open("wb") as out:
        words = service.words("traywarden", "watch", "--home", str(home))
        running = subprocess.Popen(words, cwd=service.empty, env=settings, stdout=out, stderr=out)
    try:
        wait_until(lambda: "connected" in log.read_text() or running.poll() is not None, "the broker", 30)
        mosquitto.publish("worms/kettle/pump", "1")
        status = ("traywarden", "status", "--json", "--home", str(home))
        wait_until(lambda: json.loads(service.run(*status))["readings"] == 1, "the reading", 30)
        running.send_signal(signal.SIGTERM)
        assert running.wait(40) == 0, log.read_text()
    finally:
        running.kill()
        running.wait()


def test_the_demo_runs_from_the_wheel(wheel: Path, tmp_path: Path) -> None:
    """Broker, simulator, collector, pages and mail catcher, with the packages of the demo's lock."""
    demo = Installed(tmp_path, wheel, LOCKS[1])
    said = demo.run("traywarden", "demo", "--stop-after", "4s", "--json")
    assert json.loads(said)["readings"] > 0
    assert demo.run("python", "-c", UPLINK) == ""
