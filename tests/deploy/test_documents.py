"""deploy/INSTALL.md and deploy/SMALL-BOARD.md: what they tell people to type exists. The whole list is walked on a
clean Debian by `python -m tests.bench install --whole`."""

import re
import shlex
from pathlib import Path

import pytest

from collector.cli.main import build_parser
from collector.config.home import shipped_rules
from collector.config.rule_layers import examine_layers
from collector.config.settings import known_variables
from collector.domain.readings import FUTURE_TOLERANCE_MS
from tests.deploy.machine import CHECKOUT

DEPLOY = CHECKOUT / "deploy"
PAGES = ("INSTALL.md", "SMALL-BOARD.md")


def page(name: str) -> str:
    return (DEPLOY / name).read_text(encoding="utf-8")


def typed(name: str) -> list[str]:
    """Every command of a page: indented blocks with their continued lines, and what stands in backquotes."""
    text = re.sub(r"\\\n\s*", " ", page(name))
    blocks = re.findall(r"(?m)^    (?=\S)(.+)$", text)
    return [*blocks, *re.findall(r"`([^`\n]+)`", text)]


@pytest.mark.parametrize("name", PAGES)
def test_each_script_that_is_named_is_there(name: str) -> None:
    """With its place, and ready to be run."""
    named = set(re.findall(r"deploy/([a-z-]+\.sh)", page(name)))
    assert named or name == "SMALL-BOARD.md"
    for script in named:
        assert (DEPLOY / script).stat().st_mode & 0o111, script


@pytest.mark.parametrize("name", PAGES)
def test_each_link_leads_to_a_file(name: str) -> None:
    """Beside the page."""
    links = re.findall(r"\]\(([^)#]+)\)", page(name))
    assert [link for link in links if not Path(DEPLOY / link).exists()] == []


@pytest.mark.parametrize("name", PAGES)
def test_each_command_of_ours_is_understood(name: str) -> None:
    """Whatever begins with `traywarden` is taken by the command line as it stands."""
    ours = [line.removeprefix("sudo ") for line in typed(name)]
    ours = [line for line in ours if line.startswith("traywarden ") and not line.endswith(" calibrate")]
    assert ours
    for line in ours:
        build_parser().parse_args(shlex.split(line)[1:])


@pytest.mark.parametrize("name", PAGES)
def test_each_setting_unit_and_alarm_is_known(name: str) -> None:
    """Settings by their full names, secrets by their short ones, services by their units, alarms by their rules."""
    text = page(name)
    settings = set(re.findall(r"\bTRAYWARDEN_[A-Z_]+[A-Z]", text))
    settings |= {f"TRAYWARDEN_{short}" for short in re.findall(r"(?<![A-Z_])[A-Z]+__[A-Z_]+[A-Z]", text)}
    assert settings - set(known_variables()) == set()
    units = {unit for unit in re.findall(r"\btraywarden-[a-z]+\b", text) if f"{unit}." not in _files()}
    assert units == set()
    rules, _problems = examine_layers(shipped_rules(), {}, [])
    named = set(re.findall(r"`((?:bedding|probe|disk|clock)-[a-z]+(?:-[a-z]+)*)`", text))
    assert named - {rule.name for rule in rules.rules} == set()


def _files() -> str:
    return " ".join(path.name for path in (DEPLOY / "systemd").iterdir())


def test_the_bounds_of_a_wrong_clock_are_what_the_code_has() -> None:
    """Five minutes ahead is the future, and 2010 is before anything."""
    assert FUTURE_TOLERANCE_MS == 5 * 60_000
    assert "more than 5 minutes ahead" in page("SMALL-BOARD.md")
    assert "before 2010" in page("SMALL-BOARD.md")


def test_the_example_of_the_probe_is_taken(tmp_path: Path) -> None:
    """The lines of step 6, given to the command that the script hands them to."""
    (line,) = [line for line in typed("INSTALL.md") if line.startswith("sudo deploy/add-probe.sh maple-top --at")]
    words = shlex.split(line)[2:]
    build_parser().parse_args(["probes", "assign", *words, "--topic", "worms/maple/top"])
