"""What must be true of the files themselves, whoever changes them."""

import ast
import os
import re
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
CLOCKS = ("collector/config/clock.py", "sim_sensors/clock.py")
"""The collector's, and the simulator's own, since it shares nothing with the collector."""
LONGEST_FILE, LONGEST_FUNCTION = 400, 60
REQUIREMENTS = {
    "requirements.txt": ["board", "uplink"],
    "requirements-demo.txt": ["demo", "uplink"],
    "requirements-test.txt": ["demo", "board", "uplink", "test"],
}
"""File under deploy/ -> the extras it installs besides what every run needs."""


def tracked() -> list[str]:
    """Files that belong to the project; where there is no git, every file that is not made by a run."""
    listed = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    names = listed.stdout.split("\0") if listed.returncode == 0 else _all_files()
    return sorted(name for name in names if name and (ROOT / name).is_file())


def _all_files() -> list[str]:
    skipped = re.compile(r"^(\.(?!ci|github)|__pycache__$|dist$|build$)")
    found = []
    for folder, folders, files in os.walk(ROOT):
        folders[:] = [name for name in folders if not skipped.match(name)]
        found += [str(Path(folder, name).relative_to(ROOT)) for name in files]
    return found


FILES = tracked()
PYTHON = [name for name in FILES if name.endswith(".py")]
CODE = [name for name in PYTHON if name.startswith(("collector/", "sim_sensors/"))]


def text_of(name: str) -> str:
    """What the file says; nothing for a picture or a database."""
    try:
        return (ROOT / name).read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


def lines_like(pattern: re.Pattern[str], names: list[str]) -> list[str]:
    return [
        f"{name}:{number}: {line.strip()[:100]}"
        for name in names
        for number, line in enumerate(text_of(name).splitlines(), 1)
        if pattern.search(line)
    ]


@cache
def parsed(source: str) -> ast.Module:
    return ast.parse(source)


# Registries ---------------------------------------------------------------------------------------------------------

REGISTRY = re.compile(
    r"\b(?:pypi|pythonhosted|npmjs|debian|conda|anaconda)\.(?:org|com|net|io)\b"
    r"|--(?:index-url|extra-index-url|find-links|trusted-host)[ =][\w/]|file:/{3}",
    re.IGNORECASE,
)


def test_no_registry_address_in_any_file() -> None:
    """Packages come by name from wherever the machine is set up to look; no file says where that is."""
    assert lines_like(REGISTRY, FILES) == []


@pytest.mark.parametrize("line", ["pip install --index-" + "url mirror x", "see https://" + "pypi" + ".org/x"])
def test_registry_addresses_are_recognised(line: str) -> None:
    """The pattern above finds an option that names a registry, and an address of one."""
    assert REGISTRY.search(line)


# Size ---------------------------------------------------------------------------------------------------------------


def test_no_file_is_too_long() -> None:
    """A file of code past 400 lines is two files."""
    lengths = {name: text_of(name).count("\n") for name in FILES if name.endswith((".py", ".sh"))}
    assert {name: lines for name, lines in lengths.items() if lines > LONGEST_FILE} == {}


def functions(name: str) -> Iterator[tuple[str, int]]:
    """Every function of a file with its length in lines, from `def` to its end."""
    for node in ast.walk(parsed(text_of(name))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield f"{name}:{node.lineno} {node.name}", (node.end_lineno or node.lineno) - node.lineno + 1


@pytest.mark.slow
def test_no_function_is_too_long() -> None:
    """Functions are about ten lines, rarely past forty and never past sixty."""
    assert [(where, lines) for name in PYTHON for where, lines in functions(name) if lines > LONGEST_FUNCTION] == []


# Packages -----------------------------------------------------------------------------------------------------------


def classes_of(name: str) -> Iterator[str]:
    """Classes that a file of the collector shares with others."""
    body = ast.parse(text_of(name)).body
    return (part.name for part in body if isinstance(part, ast.ClassDef) and not part.name.startswith("_"))


def test_no_class_name_has_two_meanings() -> None:
    """Whoever reads a name in one room of the collector finds no other thing of that name in another."""
    found: dict[str, list[str]] = {}
    for name in CODE:
        if name.startswith("collector/"):
            for one in classes_of(name):
                found.setdefault(one, []).append(name)
    assert {one: names for one, names in found.items() if len(names) > 1} == {}


def test_every_package_folder_is_a_package() -> None:
    """Each folder with Python in it has an __init__.py, so that it is installed, typed and checked.

    Not scripts of their own, nor what runs on a probe's board, under MicroPython, or stands in for its parts.
    """
    folders = {str(Path(name).parent) for name in PYTHON} - {".", "deploy", "deploy/probe", "tests/probe/stand-ins"}
    assert sorted(folder for folder in folders if f"{folder}/__init__.py" not in PYTHON) == []


# The clock ----------------------------------------------------------------------------------------------------------

READS = {
    "time.time",
    "time.time_ns",
    "datetime.datetime.now",
    "datetime.datetime.utcnow",
    "datetime.datetime.today",
    "datetime.date.today",
}
READS_WITHOUT_ARGUMENT = {"time.gmtime", "time.localtime", "time.ctime", "time.asctime"}


def clock_reads(source: str) -> list[int]:
    """Lines that read the time of day, whatever name it was imported under; a lint exemption does not hide them."""
    tree = parsed(source)
    names = dict(_imported(tree))
    found = {node.lineno for node in ast.walk(tree) if isinstance(node, ast.expr) and _dotted(node, names) in READS}
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and not node.args and _dotted(node.func, names) in READS_WITHOUT_ARGUMENT:
            found.add(node.lineno)
    return sorted(found)


def _imported(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Name in the file -> what it stands for."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.asname or alias.name, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((alias.asname or alias.name, f"{node.module}.{alias.name}") for alias in node.names)


def _dotted(node: ast.expr, names: dict[str, str]) -> str:
    if isinstance(node, ast.Name):
        return names.get(node.id, "")
    if isinstance(node, ast.Attribute):
        return f"{_dotted(node.value, names)}.{node.attr}"
    return ""


@pytest.mark.slow
def test_one_module_reads_the_clock() -> None:
    """Everything but the clock module is told the time, so live, replay and tests give the same result."""
    reads = [name for name in CODE if clock_reads(text_of(name))]
    assert reads == [name for name in CLOCKS if name in FILES]


@pytest.mark.parametrize(
    ("source", "lines"),
    [
        ("import time\nnow = time.time()", [2]),
        ("from time import time_ns as ticks\nnow = ticks()", [2]),
        ("from datetime import datetime as moment\ndef late(now=moment.now()): ...", [2]),
        ("import datetime\nread = datetime.datetime.now", [2]),
        ("import time\nstart = time.gmtime()\nday = time.gmtime(0)\ntime.sleep(1)", [2]),
    ],
)
def test_clock_reads_are_recognised(source: str, lines: list[int]) -> None:
    """A clock read is found under another name, as a default argument and as a function passed on."""
    assert clock_reads(source) == lines


# Words --------------------------------------------------------------------------------------------------------------

OFF_TOPIC = re.compile(
    r"(?<!user-)\b(?:agents?|subagents?|prompts?|llms?|gpt|ai|assistants?|copilots?|chatbots?|language models?"
    r"|issues? #?\d+)\b",
    re.IGNORECASE,
)


def test_files_speak_of_the_product() -> None:
    """Files say what the product does and why; how they came to be written is not the reader's concern."""
    pinned = [f"deploy/{name}" for name in REQUIREMENTS]
    here = str(Path(__file__).relative_to(ROOT))
    assert lines_like(OFF_TOPIC, [name for name in FILES if name not in [*pinned, here]]) == []


@pytest.mark.parametrize(("line", "found"), [("as asked in issue 12", True), ("User-Agent: traywarden", False)])
def test_off_topic_words_are_recognised(line: str, found: bool) -> None:
    """The pattern above finds a work item's number, and leaves the name of an HTTP header alone."""
    assert bool(OFF_TOPIC.search(line)) is found


# Requirements -------------------------------------------------------------------------------------------------------


def pins(file: str) -> dict[str, tuple[str, int]]:
    """Package -> (version, how many hashes)."""
    blocks = re.split(r"\n(?=[A-Za-z0-9])", text_of(f"deploy/{file}").strip())
    found = {}
    for block in blocks:
        pin = re.match(r"([A-Za-z0-9._-]+)==([^\s;]+)", block)
        assert pin, f"deploy/{file}: not a pin: {block[:80]}"
        found[pin[1].lower().replace("_", "-")] = (pin[2], len(re.findall(r"--hash=sha256:[0-9a-f]{64}\b", block)))
    return found


@pytest.mark.parametrize("file", REQUIREMENTS)
def test_every_pin_has_hashes(file: str) -> None:
    """What is installed is exactly what was tested: every package stands with one version and its hashes."""
    assert [name for name, (_, hashes) in pins(file).items() if hashes == 0] == []
    assert pins(file)["numpy"][1] > 20, "hashes of one machine's wheel only; see deploy/lock.sh"


@pytest.mark.parametrize(("file", "extras"), REQUIREMENTS.items())
def test_pins_are_what_the_project_asks_for(file: str, extras: list[str]) -> None:
    """Each requirement in pyproject.toml is pinned, to a version it allows; run deploy/lock.sh after changing one."""
    project = tomllib.loads(text_of("pyproject.toml"))["project"]
    asked = project["dependencies"] + [line for extra in extras for line in project["optional-dependencies"][extra]]
    asked += tomllib.loads(text_of("pyproject.toml"))["build-system"]["requires"] if "test" in extras else []
    pinned = pins(file)
    wrong = []
    for requirement in map(Requirement, asked):
        version, _ = pinned.get(requirement.name.lower().replace("_", "-"), ("", 0))
        if not version or version not in requirement.specifier:
            wrong.append(f"{requirement}: pinned at {version or 'nothing'}")
    assert wrong == []


def test_smaller_sets_are_part_of_the_tested_one() -> None:
    """The demo and a deployment run the very versions that the tests run with."""
    tested = pins("requirements-test.txt")
    assert pins("requirements.txt").items() <= pins("requirements-demo.txt").items() <= tested.items()


# Scripts ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("script", ["demo.sh", "test.sh"])
def test_a_machine_without_python_is_told_so(script: str, tmp_path: Path) -> None:
    """Where there is no Python 3.11, the script ends with a line that says so and what to install."""
    for program in ("bash", "dirname", "id", "true", "tr", "mosquitto", "mosquitto_pub"):
        found = shutil.which(program, path=f"{os.environ.get('PATH', '')}:/usr/sbin")
        if found:
            (tmp_path / program).symlink_to(found)
    (tmp_path / "chromium").symlink_to(tmp_path / "true")

    done = subprocess.run(
        ["bash", ROOT / "deploy" / script], env={"PATH": str(tmp_path)}, capture_output=True, text=True, check=False
    )

    assert done.returncode == 1
    assert "Python 3.11 or newer was not found" in done.stderr
    assert "apt-get install python3" in done.stderr
