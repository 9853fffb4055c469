"""deploy/dev.sh, the quick checks while something is being changed."""

import re
import subprocess
import tomllib
from collections.abc import Iterator
from importlib.metadata import distributions

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.deploy.machine import CHECKOUT

ROOMS = {path.parent.name for path in (CHECKOUT / "tests").glob("*/test_*.py")} - {"services", "bench"}


def dev(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "deploy/dev.sh", *arguments], cwd=CHECKOUT, capture_output=True, text=True, check=False
    )


def test_it_knows_every_room_that_has_tests() -> None:
    """A folder of tests that is added can be run by itself at once."""
    assert set(dev("--rooms").stdout.split()) >= ROOMS


def test_what_is_no_room_is_one_line_with_the_rooms() -> None:
    """A slip of the pen makes no environment and runs nothing."""
    done = dev("alarsm")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("there is no room 'alarsm'; there are: alarms board ")
    assert done.stderr.count("\n") == 1


def test_it_says_how_it_is_used() -> None:
    """With an example for each form."""
    done = dev("--help")
    assert done.returncode == 0
    assert "deploy/dev.sh store -k disk" in done.stdout


def test_it_installs_no_program() -> None:
    """Neither broker nor browser: only the pinned packages of Python, and those once."""
    script = (CHECKOUT / "deploy" / "dev.sh").read_text(encoding="utf-8")
    assert "apt_install" not in script
    assert "ready_programs" not in script


def left_out() -> set[str]:
    """What dev.sh leaves out of its own environment."""
    found = re.search(r"^outside='(.*)'$", (CHECKOUT / "deploy" / "dev.sh").read_text(encoding="utf-8"), re.MULTILINE)
    assert found is not None
    return set(found[1].split())


def needs() -> Iterator[tuple[str, str]]:
    """(package, what it needs) of all that is installed here, without extras."""
    for one in distributions():
        for line in one.requires or ():
            wanted = Requirement(line)
            if wanted.marker is None or wanted.marker.evaluate({"extra": ""}):
                yield canonicalize_name(one.metadata["Name"]), canonicalize_name(wanted.name)


def test_what_it_leaves_out_is_missed_by_nothing_else() -> None:
    """Its environment stands without the reference libraries: no other package needs one of them."""
    lock = (CHECKOUT / "deploy" / "requirements-test.txt").read_text(encoding="utf-8")
    assert left_out() <= {canonicalize_name(name) for name in re.findall(r"^([\w.-]+)==", lock, re.MULTILINE)}
    assert [pair for pair in needs() if pair[1] in left_out() and pair[0] not in left_out()] == []


def test_what_it_leaves_out_is_asked_for_by_one_room_only() -> None:
    """Whoever works on any other room does without them."""
    names = {name.replace("-", "_") for name in left_out()}
    using = {
        path.parent.name
        for folder in ("collector", "sim_sensors", "tests")
        for path in (CHECKOUT / folder).rglob("*.py")
        for module in re.findall(r"^\s*(?:from|import) (\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
        if module in names
    }
    assert using == {"outside"}


def test_the_hook_names_tools_of_this_checkout_only() -> None:
    """Before a commit nothing is fetched: the one hook is our own script."""
    config = (CHECKOUT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert "- repo: local" in config
    assert config.count("repo:") == 1
    assert "entry: deploy/dev.sh" in config


def test_slow_is_a_marker_that_is_known() -> None:
    """What dev.sh leaves out has a name that pytest would refuse if it were misspelt."""
    options = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
    assert any(one.startswith("slow:") for one in options["markers"])
    assert "--strict-markers" in options["addopts"]
    assert '-m "not slow"' in (CHECKOUT / "deploy" / "dev.sh").read_text(encoding="utf-8")
    assert "not slow" not in (CHECKOUT / "deploy" / "test.sh").read_text(encoding="utf-8")
