"""Each lock gives the environment it names, whatever newer versions there are, with the pip that each Python brings."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from packaging.utils import canonicalize_name

from collector import __version__
from tests.deploy.machine import CHECKOUT, copy_checkout
from tests.deploy.stand_ins import LOCKS, OF_PYTHON, TOOLS, Index, locked, wanted

OWN = f"{sys.version_info.major}.{sys.version_info.minor}"
SUPPORTED = ("3.11", "3.12", "3.13")
_LIST = "from importlib.metadata import distributions as all; print(*(f'{one.name}=={one.version}' for one in all()))"


@pytest.fixture(scope="module")
def index(tmp_path_factory: pytest.TempPathFactory) -> Index:
    return Index(tmp_path_factory.mktemp("index"))


def python_of(version: str) -> str | None:
    """Where that Python is on this machine: the one the tests run with, one on the path, one beside it."""
    beside = sorted(Path(sys.base_prefix).parent.glob(f"{version}.*/bin/python{version}"))
    own = [Path(sys.base_prefix, "bin", f"python{version}")] if version == OWN else []
    for candidate in (*map(str, own), f"python{version}", *map(str, beside)):
        tried = subprocess.run(
            ["sh", "-c", '"$0" -c "import ensurepip, sys; print(sys.executable)"', candidate],
            capture_output=True,
            text=True,
            check=False,
        )
        if tried.returncode == 0:
            return tried.stdout.strip()
    return None


def offline(index: Index) -> dict[str, str]:
    """An environment in which pip knows the index alone."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "PYTHON"))}
    return kept | {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(index.wheels), "PIP_CONFIG_FILE": os.devnull}


def shell(line: str, index: Index) -> None:
    """A line that may use the functions of the deploy scripts; what it installs comes from the index alone."""
    sourced = f'. "{CHECKOUT}/deploy/venv.sh"; . "{CHECKOUT}/deploy/lib.sh"; root={index.root}; {line}'
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", sourced],
        env=offline(index),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def fresh(python: str, venv: Path) -> Path:
    """An environment with the pip that this Python brings, unpacked and not installed, which is quicker."""
    subprocess.run([python, "-m", "venv", "--without-pip", venv], check=True)
    found = [python, "-c", "import ensurepip; print(ensurepip.__path__[0])"]
    folder = Path(subprocess.run(found, capture_output=True, text=True, check=True).stdout.strip())
    (pip,) = folder.glob("_bundled/pip-*.whl")
    (packages,) = venv.glob("lib/python3*/site-packages")
    shutil.unpack_archive(pip, packages, "zip")
    return venv


def held(venv: Path) -> dict[str, str]:
    """What is installed there, but for what the Python itself brings."""
    done = subprocess.run([venv / "bin/python", "-c", _LIST], capture_output=True, text=True, check=True)
    found = dict(line.split("==") for line in done.stdout.split())
    return {canonicalize_name(name): found[name] for name in found if name not in OF_PYTHON}


@pytest.mark.parametrize("version", SUPPORTED)
def test_a_lock_is_installed_as_it_stands(index: Index, tmp_path: Path, version: str) -> None:
    """Service, demo and tests: with newer versions of everything at hand, exactly the pins are there afterwards. Of a
    Python other than this one only the last, which holds all of the two before it."""
    python = python_of(version)
    if python is None:
        assert version != OWN
        pytest.skip(f"Python {version} is not on this machine: its pip was not tried on the locks")
    venv = fresh(python, tmp_path / "venv")
    for lock in LOCKS if version == OWN else LOCKS[-1:]:
        shell(f'install_lock "{venv}" "{index.lock(lock)}"', index)
        assert held(venv) == wanted(lock, version)


def test_the_tools_are_installed_as_they_are_pinned(index: Index, tmp_path: Path) -> None:
    """What remakes and audits the locks, too: with newer ones at hand, exactly what tools.txt says, which names both
    that tools.in asks for, and pip and setuptools, which they are built on."""
    venv = fresh(str(python_of(OWN)), tmp_path / "venv")
    shell(f'install_lock "{venv}" "{index.lock(TOOLS)}"', index)
    assert held(venv) == wanted(TOOLS, OWN)
    asked = [line for line in (CHECKOUT / "deploy/tools.in").read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    assert {*asked, *OF_PYTHON} <= {pin.name for pin in locked(TOOLS)}


def test_the_installer_installs_its_lock_as_it_stands(index: Index, tmp_path: Path) -> None:
    """From a folder of wheels, as INSTALL.md says for a lab without internet, in which newer ones lie."""
    venv = tmp_path / "venv"
    shell(f'wheels="{index.wheels}"; fill_service_venv "{python_of(OWN)}" "{venv}"', index)
    assert held(venv) == wanted(LOCKS[0], OWN)


def test_the_documented_install_makes_the_command_ready(index: Index, tmp_path: Path) -> None:
    """README's deploy/ready.sh: an environment in the checkout with exactly the pins, and `traywarden` in it. Run once
    more, it makes nothing anew."""
    checkout = copy_checkout(tmp_path / "checkout")
    shutil.copy(index.lock(LOCKS[0]), checkout / "deploy")
    script = ["bash", str(checkout / "deploy/ready.sh")]
    made = subprocess.run(script, env=offline(index), capture_output=True, text=True, check=True)
    command = checkout / ".venv-lab/bin/traywarden"
    assert made.stderr.splitlines()[-1] == f"ready: {command}"
    told = subprocess.run([command, "--version"], capture_output=True, text=True, check=True)
    assert told.stdout == f"traywarden {__version__}\n"
    venv = checkout / ".venv-lab"
    (version,) = (path.name.removeprefix("python") for path in venv.glob("lib/python3*"))
    assert held(venv) == wanted(LOCKS[0], version)
    again = subprocess.run(script, env=offline(index), capture_output=True, text=True, check=True)
    assert again.stderr == f"ready: {command}\n"


def test_a_lock_that_lacks_something_is_refused(index: Index, tmp_path: Path) -> None:
    """What is not there is not fetched from elsewhere: the script says which package lacks what, and ends."""
    short = tmp_path / "short.txt"
    lines = index.lock(LOCKS[0]).read_text(encoding="utf-8").splitlines()
    short.write_text("\n".join(line for line in lines if not line.startswith("typing-extensions")), encoding="utf-8")
    with pytest.raises(AssertionError, match=r"pydantic .* requires typing-extensions, which is not installed"):
        shell(f'install_lock "{fresh(str(python_of(OWN)), tmp_path / "venv")}" "{short}"', index)


def test_nothing_of_ours_is_installed_in_another_way() -> None:
    """One function under deploy/ hands a lock to pip, also that of the tools that remake and audit locks. Else pip is
    asked only what it would install."""
    ways = [
        f"{path.name}: {line.strip()}"
        for path in sorted((CHECKOUT / "deploy").rglob("*"))
        if path.name == "Containerfile" or path.suffix == ".sh"
        for line in path.read_text(encoding="utf-8").splitlines()
        if "pip install" in line and "--dry-run" not in line and not line.lstrip().startswith("#")
    ]
    assert len(ways) == 1, ways
    assert "--no-deps --require-hashes" in ways[0]
