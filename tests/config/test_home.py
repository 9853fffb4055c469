"""The home folder: found, read, and every way it can be unusable."""

from pathlib import Path

import pytest

from collector.config.home import Home, find_home, shipped_rules
from collector.domain.problems import Refused
from tests.worlds.home import HOT_AT_ONCE, make_home
from tests.worlds.rules import read_rules


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(make_home(tmp_path / "home"))


def lines(refused: pytest.ExceptionInfo[Refused]) -> list[str]:
    return [str(problem) for problem in refused.value.problems]


def test_the_home_is_the_argument_else_the_variable_else_a_folder_of_the_user() -> None:
    """In that order; an empty one counts as not given."""
    assert find_home("/a", {"TRAYWARDEN_HOME": "/b"}).path == Path("/a")
    assert find_home(None, {"TRAYWARDEN_HOME": "/b"}).path == Path("/b")
    assert find_home("", {"TRAYWARDEN_HOME": ""}).path == Path.home() / "traywarden"


def test_a_missing_lab_file_says_how_to_make_one(tmp_path: Path) -> None:
    """The path, and the command."""
    with pytest.raises(Refused) as refused:
        Home(tmp_path).load_lab()
    assert lines(refused) == [f"{tmp_path}/lab.yaml is not there; make one with: traywarden init"]


def test_a_lab_file_that_is_no_utf_8_says_in_which_line(home: Home) -> None:
    """Saved in another encoding: the line, and what to do."""
    home.lab_file.write_bytes(b"lab: {name: x}\n# ok\nbins: {j: {name: J\xfcniper}}\n")
    with pytest.raises(Refused) as refused:
        home.load_lab()
    assert lines(refused) == ["lab.yaml:3:1 is not UTF-8 text; save it as UTF-8"]


def test_a_lab_file_that_cannot_be_read_says_why(home: Home) -> None:
    """A folder in its place."""
    home.lab_file.unlink()
    home.lab_file.mkdir()
    with pytest.raises(Refused) as refused:
        home.load_lab()
    assert lines(refused) == [f"{home.lab_file} cannot be read: Is a directory"]


def test_every_mistake_of_the_lab_file_comes_at_once(home: Home) -> None:
    """Two slips, two lines with their places."""
    text = home.lab_file.read_text(encoding="utf-8")
    home.lab_file.write_text(text.replace("format: number", "format: numbers").replace("units:", "unit:"), "utf-8")
    with pytest.raises(Refused) as refused:
        home.load_lab()
    assert len(lines(refused)) == 2
    assert all(line.startswith("lab.yaml:") and "did you mean" in line for line in lines(refused))


def test_a_site_alarm_stands_beside_those_that_ship(home: Home) -> None:
    """All of them hold, .yml files too, and each knows where it comes from."""
    (home.rules_folder / "more.yml").write_text(HOT_AT_ONCE.replace("bedding-hot", "tray-hot"), encoding="utf-8")
    rules = {rule.name: rule for rule in home.load_rules()}
    shipped = {rule.name for rule in read_rules(shipped_rules())}
    assert rules.keys() == shipped | {"bedding-hot", "tray-hot"}
    assert rules["tray-hot"].source.startswith("rules/more.yml:")
    assert rules["bedding-hot"].source.startswith("rules/site.yaml:")
    assert (rules["bedding-hot"].setpoint, rules["bedding-hot"].on_delay_ms) == (30.0, 0)


def test_without_a_rules_folder_the_shipped_rules_hold(tmp_path: Path) -> None:
    """A home needs no rules of its own."""
    assert len(Home(tmp_path).load_rules()) == len(read_rules(shipped_rules()))


def test_mistakes_of_all_rule_files_come_at_once(home: Home) -> None:
    """A file that is no text, and slips in another."""
    (home.rules_folder / "site.yaml").write_text(HOT_AT_ONCE.replace("30 degC", "warm"), encoding="utf-8")
    with pytest.raises(Refused) as refused:
        home.load_rules()
    assert [line.split(":")[0] for line in lines(refused)] == ["rules/site.yaml"]
    (home.rules_folder / "site.yaml").write_bytes(b"\xff")
    with pytest.raises(Refused) as refused:
        home.load_rules()
    (line,) = lines(refused)
    assert line.endswith("site.yaml:1:1 is not UTF-8 text; save it as UTF-8")
