"""A command loads what it needs and no more: on a small board each large library costs a second and more."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from collector import __version__
from collector.cli.main import main
from tests.worlds.brew_home import make_brew_home

ROOT = Path(__file__).parents[2]
HEAVY = {
    "apprise",
    "apscheduler",
    "cbor2",
    "icalendar",
    "influxdb_client",
    "jinja2",
    "numpy",
    "paho",
    "PIL",
    "pydantic_settings",
    "starlette",
    "uvicorn",
}
NEEDED = {"pydantic", "yaml", "msgspec"}
"""What reading lab.yaml takes, and what is asked of the collector."""
PROGRAM = """
import sys
before = set(sys.modules)
from collector.cli.main import main
try:
    code = main(sys.argv[1:])
except SystemExit as end:
    code = end.code
print(*sorted({name.partition(".")[0] for name in set(sys.modules) - before}), file=sys.stderr)
sys.exit(code)
"""


def loaded(*arguments: str) -> set[str]:
    """The top-level names of all that one command, which must succeed, has imported by its end."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return set(done.stderr.splitlines()[-1].split())


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A lab whose collector has run and does not now."""
    return str(make_brew_home(tmp_path_factory.mktemp("loading") / "home").path)


@pytest.mark.parametrize("arguments", [("--help",), ("--version",)], ids=" ".join)
def test_help_loads_no_library(arguments: tuple[str, ...]) -> None:
    """The list of commands is known without any of them, and without the database."""
    assert loaded(*arguments) & (HEAVY | NEEDED | {"sqlite3"}) == set()


@pytest.mark.parametrize(
    "arguments",
    [
        ("status",),
        ("probes", "list"),
        ("alarms", "list"),
        ("brew", "show"),
        ("diary", "list"),
        ("diary", "add", "watered", "--at", "juniper/top", "--amount", "0.5 L", "--by", "class 4b"),
        ("rules", "--help"),
        ("diary", "add", "--help"),
    ],
    ids=" ".join,
)
def test_looking_and_noting_load_no_other_library(arguments: tuple[str, ...], home: str) -> None:
    """What a class or a script asks many times a day takes neither arrays nor the broker's or the mail's parts."""
    where = () if "--help" in arguments else ("--home", home)
    assert loaded(*arguments, *where) & HEAVY == set()


def test_what_needs_a_library_loads_it(home: str) -> None:
    """The check above can fail: a command that looks through readings takes numpy."""
    assert "numpy" in loaded("ahead", "--for", "24 h", "--home", home)


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    """`--version` says what pyproject.toml says, from a checkout too."""
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    assert end.value.code == 0
    assert capsys.readouterr().out == f"traywarden {__version__}\n"
    assert tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"] == __version__
