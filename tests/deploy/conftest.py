"""A machine with Traywarden installed, made once; a copy of it for each test that changes it."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.deploy.lab_broker import LabBroker
from tests.deploy.machine import Machine, change
from tests.services.parts import need


@pytest.fixture(scope="session")
def _made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Machine, str]:
    machine = Machine(tmp_path_factory.mktemp("deploy") / "machine")
    machine.folder.mkdir()
    return machine, machine.make().run("install.sh")


@pytest.fixture(scope="session")
def installed(_made: tuple[Machine, str]) -> Machine:
    """To be looked at only."""
    return _made[0]


@pytest.fixture(scope="session")
def said(_made: tuple[Machine, str]) -> str:
    """What the first run of the installer printed."""
    return _made[1]


@pytest.fixture
def machine(installed: Machine, tmp_path: Path) -> Machine:
    """To be changed."""
    return installed.copy(tmp_path / "machine")


@pytest.fixture
def another(installed: Machine, tmp_path: Path) -> Callable[[str], Path]:
    """A checkout of another version, by its number."""

    def make(version: str) -> Path:
        folder = tmp_path / f"checkout-{version}"
        installed.command("cp", "-a", installed.checkout, folder)
        change(folder / "pyproject.toml", 'version = "0.1.0"', f'version = "{version}"')
        return folder

    return make


@pytest.fixture(scope="module")
def secured(installed: Machine, tmp_path_factory: pytest.TempPathFactory) -> Machine:
    """With a broker set up for 127.0.0.1; to be looked at only."""
    need("mosquitto")
    need("mosquitto_pub")
    need("openssl")
    machine = installed.copy(tmp_path_factory.mktemp("secured") / "machine")
    machine.run("secure-broker.sh", "--name", "lab.local")
    return machine


@pytest.fixture
def lab(secured: Machine, tmp_path: Path) -> Machine:
    """The same, to be changed."""
    return secured.copy(tmp_path / "secured")


@pytest.fixture
def broker(lab: Machine) -> Iterator[LabBroker]:
    started = LabBroker(lab)
    yield started
    started.stop()
