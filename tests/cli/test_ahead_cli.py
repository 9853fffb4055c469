"""`traywarden ahead` from the command line."""

import json
from collections.abc import Callable

import pytest

from collector.config.home import Home
from tests.reports.test_digest_view import FRIDAY, fill
from tests.worlds.values import DAY, T0


@pytest.fixture
def friday(brew_home: Home, at_eight: Callable[[int], None]) -> None:
    """A Friday morning after three days in which Juniper's top tray dried to 75 %, by 2 % a day in the end."""
    fill(brew_home, FRIDAY)
    at_eight(FRIDAY)


@pytest.mark.usefixtures("friday")
def test_it_looks_ahead_to_the_next_school_morning(said: Callable[..., str]) -> None:
    """Until when, a line a tray with what to do, and that hands want washing."""
    lines = said("ahead").splitlines()
    assert lines[0] == "until 2026-03-09 07:00 (UTC)"
    assert lines[1].startswith("juniper/top: 75.0 % now, about 67.9 % then, between")
    assert "20 seconds" in lines[-1]


@pytest.mark.usefixtures("friday")
def test_water_is_told_in_the_units_of_the_lab(said: Callable[..., str], brew_home: Home) -> None:
    """A litre in a lab with metric units, a quart and a little in one with `units: us`."""
    longer = ("ahead", "--until", "2026-03-13 08:00")
    words = "Add about {} (an estimate from its size) today, in portions over the whole tray"
    assert words.format("1.0 L") in said(*longer)
    lab = brew_home.path / "lab.yaml"
    lab.write_text(lab.read_text(encoding="utf-8").replace("units: metric", "units: us"), encoding="utf-8")
    assert words.format("1.1 qt") in said(*longer)


@pytest.mark.usefixtures("friday")
def test_programs_get_figures(said: Callable[..., str]) -> None:
    """Moisture now and then, where to leave it, and times in UTC."""
    found = json.loads(said("ahead", "--json", "--for", "24 h"))
    assert found["until"] == "2026-03-07T08:00:00Z"
    (tray,) = found["trays"]
    assert (tray["at"], tray["moisture"], tray["leave_at"]) == ("juniper/top", 75.0, None)
    assert tray["then_lowest"] < tray["then"] == 73.0 < tray["then_highest"]
    assert tray["assumed"] == ["humidity", "room", "bed"]
    dry = json.loads(said("ahead", "--json", "--until", "2026-03-13 08:00"))["trays"][0]
    assert dry["leave_at"] == 85.0
    assert "2026-03-09" < dry["dry_from"] < dry["dry_about"] < dry["dry_by"]
    assert dry["why_not"] == ""


def test_a_probe_without_readings_is_told_as_such(said: Callable[..., str], brew_home: Home) -> None:
    """Not as dry."""
    fill(brew_home, T0 - 30 * DAY)
    assert "juniper/top: cannot be foreseen: no usable reading in the last three days" in said("ahead")
    assert json.loads(said("ahead", "--json"))["trays"][0]["moisture"] is None


def test_a_lab_without_readings_says_so(said: Callable[..., str]) -> None:
    """Nothing to foretell, and no failure over it."""
    assert "no tray has a moisture probe with readings" in said("ahead")


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (("--for", "3 parsecs"), "--for '3 parsecs'"),
        (("--for", "0 h"), "--for 0 h: nothing to foretell"),
        (("--until", "soon"), "'soon' is not a time"),
        (("--until", "2026-03-01"), "--until 2026-03-01 is not in the future"),
    ],
)
def test_what_is_no_time_to_come_is_refused(refused: Callable[..., str], arguments: tuple[str, ...], line: str) -> None:
    """In one line that says what would be right."""
    assert line in refused("ahead", *arguments)


def test_without_a_school_day_in_sight_it_asks_until_when(refused: Callable[..., str], brew_home: Home) -> None:
    """Terms that are over have no next morning."""
    text = brew_home.lab_file.read_text()
    terms = "time_zone: UTC, terms: [2026-01-07 to 2026-02-01],"
    brew_home.lab_file.write_text(text.replace("time_zone: UTC,", terms))
    assert "say until when with --until" in refused("ahead")
