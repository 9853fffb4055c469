"""Every page: what it tells people to type, to set, to open and to expect is there.

The whole list of deploy/INSTALL.md is walked on a clean Debian by `python -m tests.bench install --whole`.
"""

import os
import re
import shlex
import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest
from PIL import Image

from collector.alarms.model import Kind
from collector.cli.known_commands import build_parser
from collector.cli.main import main
from collector.cli.reference import leaf_commands
from collector.config.home import Home, shipped_rules
from collector.config.lab_file import read_lab
from collector.config.lab_template import LAB_TEMPLATE
from collector.config.rules.layers import examine_layers
from collector.config.settings import Settings, known_variables
from collector.delivery.sender import Patience
from collector.domain.diary import DiaryKind
from collector.domain.readings import FUTURE_TOLERANCE_MS
from collector.husbandry.drying import ASSUMED_HUMIDITY_PCT, FRESH_H, SETTLES_H, scale_pct
from collector.intake.allowance import CHANGES, READINGS
from collector.letters.links import LINK_LASTS_MS
from collector.reports.ahead_view import FARTHEST_MS
from collector.store.prune import MESSAGES_DAYS, REQUESTS_DAYS
from collector.telling.desk_times import GAPS_MS
from sim_sensors import scenarios
from sim_sensors.cli import main as simulate
from tests.bench.__main__ import NAMES as BENCHES
from tests.deploy.documents import PAGES, flowing, folder_of, page, quoted, typed
from tests.deploy.machine import CHECKOUT
from tests.deploy.mail_picture import MARK, PICTURE, mark_of, urgent_mail
from tests.worlds.texts import lab_text

DAY_MS, MIN_MS = 86_400_000, 60_000
RULES = {rule.name: rule for rule in examine_layers(shipped_rules(), {}, [])[0].rules}
SCRIPTS: Mapping[str, str] = tomllib.loads(page("pyproject.toml"))["project"]["scripts"]


@pytest.mark.parametrize("name", PAGES)
def test_each_script_that_is_named_is_there(name: str) -> None:
    """With its place, and ready to be run."""
    for script in set(re.findall(r"deploy/([a-z-]+\.sh)", page(name))) - {"lib.sh", "venv.sh"}:
        assert os.access(CHECKOUT / "deploy" / script, os.X_OK), script


@pytest.mark.parametrize("name", PAGES)
def test_each_link_leads_to_a_file(name: str) -> None:
    """From where the page is; pictures too."""
    links = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)|src=\"([^\"]+)\"", page(name))
    assert [link for one in links for link in one if link and not (folder_of(name) / link).exists()] == []


def test_every_page_can_be_found_from_the_first() -> None:
    """README leads to each, by itself or by a page it leads to."""
    seen: set[str] = set()
    ahead = ["README.md"]
    while ahead:
        name = ahead.pop()
        if name in seen or not name.endswith(".md"):
            continue
        seen.add(name)
        links = re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page(name))
        ahead += [str((folder_of(name) / link).resolve().relative_to(CHECKOUT)) for link in links]
    assert {*PAGES, "CHANGELOG.md"} - seen <= {"CHANGELOG.md"}


@pytest.mark.parametrize("name", PAGES)
def test_each_command_of_ours_is_understood(name: str) -> None:
    """A line in a block is taken by the command line as it stands."""
    for line in typed(name):
        command = line.split()[0]
        if command == "traywarden":
            build_parser().parse_args(shlex.split(line)[1:])
        elif command in SCRIPTS:
            with pytest.raises(SystemExit) as ended:
                simulate([shlex.split(line)[1], "--help"])
            assert ended.value.code == 0, line


@pytest.mark.parametrize("name", PAGES)
def test_each_command_in_a_sentence_is_one(name: str) -> None:
    """In backquotes it may lack its arguments; what stands there begins a command, and its options are those it has."""
    known = {command: parser for command, _about, parser in leaf_commands(build_parser())}
    for span in quoted(name):
        if not span.startswith("traywarden "):
            continue
        words = span.split()[1:]
        options = {word.partition("=")[0] for word in words if word.startswith("--")}
        named = " ".join(word for word in words if re.fullmatch(r"[a-z-]+", word) and not word.startswith("--"))
        found = [one for one in known if named == one or named.startswith(f"{one} ") or one.startswith(f"{named} ")]
        assert found or options == {"--help"} or options == {"--version"}, span
        has = {option for one in found for action in known[one]._actions for option in action.option_strings}
        assert options <= has | {"--help", "--version"}, span


@pytest.mark.parametrize("name", PAGES)
def test_each_bench_that_is_named_is_there(name: str) -> None:
    """`python -m tests.bench NAME`."""
    named = set(re.findall(r"python -m tests\.bench ([a-z]+)", page(name)))
    assert named <= set(BENCHES)


@pytest.mark.parametrize("name", PAGES)
def test_each_setting_unit_and_alarm_is_known(name: str) -> None:
    """Settings by their full names, secrets by their short ones, services by their units, alarms by their rules."""
    text = page(name)
    settings = set(re.findall(r"\bTRAYWARDEN_[A-Z_]+[A-Z]", text))
    settings |= {f"TRAYWARDEN_{short}" for short in re.findall(r"(?<![A-Z_])[A-Z]+__[A-Z_]+[A-Z]", text)}
    assert settings - set(known_variables()) == set()
    units = set(re.findall(r"\btraywarden-(?!sim\b)[a-z]+(?:-[a-z]+)*\b", text))
    assert {unit for unit in units if f"{unit}." not in _files()} == set()
    named = set(re.findall(r"`((?:bedding|probe|disk|clock|broker|mail|tea)-[a-z]+(?:-[a-z]+)*)`", text))
    assert named - set(RULES) - set(scenarios.names()) - set(DiaryKind) == set()


def _files() -> str:
    return " ".join(path.name for path in (CHECKOUT / "deploy/systemd").iterdir())


def test_every_setting_has_its_row_where_readme_leads() -> None:
    """The table of all settings is on the reference page, one row each; README and the settings file name it."""
    rows = [line for line in page("deploy/REFERENCE.md").splitlines() if line.startswith("| `TRAYWARDEN_")]
    assert [row.split("`")[1] for row in rows] == list(known_variables())
    assert "](deploy/REFERENCE.md)" in page("README.md")
    assert "REFERENCE.md" in page("deploy/systemd/settings")


def test_the_bounds_of_a_wrong_clock_are_what_the_code_has() -> None:
    """Five minutes ahead is the future, and 2010 is before anything."""
    assert FUTURE_TOLERANCE_MS == 5 * 60_000
    assert "more than 5 minutes ahead" in page("deploy/SMALL-BOARD.md")
    assert "before 2010" in page("deploy/SMALL-BOARD.md")


def _lasts(minutes: int) -> str:
    return "an hour" if minutes == 60 else f"{minutes} minutes"


def _after(name: str) -> str:
    """How long until the alarm; of kind `silent` the setpoint is in ms, else of these in minutes."""
    rule = RULES[name]
    return _lasts(round((rule.setpoint or 0) / (MIN_MS if rule.kind is Kind.SILENT else 1)))


_GAPS = [gap // MIN_MS for gap in GAPS_MS[1:]]
_SET = Settings.model_construct()
_ACK_SHARE = read_lab(LAB_TEMPLATE).telling.pass_on_percent
NUMBERS = (
    ("deploy/ALERTS.md", f"waits {_GAPS[0]} minute, then {_GAPS[1]}, {_GAPS[2]} and {_GAPS[3]}."),
    ("deploy/ALERTS.md", f"within {_ACK_SHARE:g} % of the time to respond (`pass_on_after`)"),
    ("deploy/ALERTS.md", f"and for {LINK_LASTS_MS // DAY_MS} days"),
    (
        "deploy/ALERTS.md",
        f"on {_SET.board.host}:{_SET.board.port} by default",
    ),
    ("deploy/LIMITS.md", f"{READINGS.at_once:,} readings at once, and {READINGS.per_s:.0f} a second"),
    ("deploy/LIMITS.md", f"After {CHANGES.at_once:,} alarm changes of one channel, then one a minute"),
    (
        "deploy/LIMITS.md",
        f"go {MESSAGES_DAYS} days after they were settled, answered requests after {REQUESTS_DAYS}.",
    ),
    ("deploy/DOWN.md", f"tried for {Patience().give_up_ms // DAY_MS} days"),
    ("deploy/DOWN.md", f"After {_after('broker-lost')} the alarm `broker-lost`"),
    ("deploy/DOWN.md", f"`probe-silent` after {_after('probe-silent')} without"),
    ("deploy/DOWN.md", f"`mail-failing` after {_after('mail-failing')}"),
    (
        "deploy/DOWN.md",
        f"every {_SET.heartbeat.every_s} seconds (`TRAYWARDEN_HEARTBEAT__EVERY_S`)",
    ),
)
"""(page, words on it), each number from the code."""


@pytest.mark.parametrize(("name", "words"), NUMBERS)
def test_a_number_in_a_sentence_is_that_of_the_code(name: str, words: str) -> None:
    """Whoever changes the one changes the other."""
    assert words in flowing(name)


def test_days_ahead_are_those_of_the_code() -> None:
    """How far is looked, how long a tray settles, and what stands in for what is not known."""
    assert (CHANGES.per_s * 60, FARTHEST_MS // DAY_MS) == (1, 9)
    assert "looks nine days ahead at most" in flowing("deploy/LIMITS.md")
    assert scale_pct(0) == 0.5
    assert scale_pct(1) == pytest.approx(0.5 + 0.7)
    assert "(0.5 points, and 0.7 more for each day ahead)" in flowing("deploy/LIMITS.md")
    assert (SETTLES_H + FRESH_H, ASSUMED_HUMIDITY_PCT) == (9, 50)
    assert "For nine hours after one it says nothing of that tray" in flowing("deploy/ALERTS.md")
    assert "without one 50 % is assumed" in flowing("deploy/ALERTS.md")


def test_the_example_of_the_probe_is_taken(tmp_path: Path) -> None:
    """The lines of step 6, run as the script runs them in a lab that has the tray and no such probe: both channels
    are there, also the one that nobody has calibrated yet."""
    (line,) = [line for line in typed("deploy/INSTALL.md") if line.startswith("deploy/add-probe.sh maple-top --at")]
    words = shlex.split(line)[1:]
    (tmp_path / "lab.yaml").write_text(lab_text(), encoding="utf-8")
    assert main(["probes", "assign", *words, "--topic", "worms/maple/top", "--home", str(tmp_path)]) == 0
    (probe,) = (one for one in Home(tmp_path).load_lab().probes if one.id == "maple-top")
    assert [(one.measure, one.unit) for one in probe.channels] == [
        ("bedding_temperature", "Cel"),
        ("bedding_moisture", "count"),
    ]


def test_the_picture_of_a_mail_is_small_and_of_a_phone() -> None:
    """A PNG that loads at once, taller than wide."""
    with Image.open(PICTURE) as picture:
        width, height = picture.size
    assert PICTURE.stat().st_size < 60_000
    assert 400 < width < height
    assert 'src="deploy/pictures/mail.png"' in page("README.md")


@pytest.mark.slow
def test_the_picture_of_a_mail_is_of_the_mail_as_it_is(tmp_path: Path) -> None:
    """What the mail says has not changed since; if it has: python -m tests.deploy.mail_picture, and look at it."""
    with Image.open(PICTURE) as picture:
        assert picture.info[MARK] == mark_of(urgent_mail(tmp_path / "lab"))


def test_readme_is_short_and_shows_a_command_with_its_output_at_once() -> None:
    """In its first forty lines; tables of many rows are on pages of their own."""
    lines = page("README.md").splitlines()
    head = "\n".join(lines[:40])
    assert "    deploy/demo.sh" in head
    assert "    Subject: URGENT: Juniper, top tray" in head
    assert len(lines) <= 185
