"""`rules check`, `rules list` and `init`: what is told about files that are right, doubtful and wrong."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from collector.cli.commands.init import SITE_RULES
from collector.cli.main import main
from collector.config.home import Home, shipped_rules
from collector.config.yaml.text import read_yaml
from collector.domain.said_quantities import in_units_of
from tests.worlds.home import make_home

Printed = pytest.CaptureFixture[str]
CHANGES = """\
alarms:
  bedding-dry: {setpoint: 62 %, deadband: null, basis: our own bedding}
  bedding-cool: {enabled: no}
"""
NEW = """\
alarms:
  room-cold:
    kind: low
    measure: air_temperature
    where: [room]
    setpoint: 8 degC
    on_delay: 30 min
    priority: medium
    consequence: The bins cool down overnight.
    corrective_action: See to the heating, or carry the bins into a heated room until it is warm again in here.
    time_to_respond: 12 h
    basis: made up for a test
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path / "home", CHANGES)


def run(printed: Printed, home: Path, *arguments: str, code: int = 0) -> tuple[list[str], list[str]]:
    """Lines of standard output and of standard error."""
    assert main(["rules", *arguments, "--home", str(home)]) == code
    told = printed.readouterr()
    return told.out.splitlines(), told.err.splitlines()


def listed(printed: Printed, home: Path, *arguments: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(run(printed, home, "list", *arguments, "--json")[0][0])
    return found


def line_of(name: str, shipped: str = "rules/red-wigglers.yaml") -> int:
    lines = shipped_rules()[shipped].splitlines()
    return lines.index(f"  {name}:") + 1


# ---- rules list --------------------------------------------------------------------------------------------------


def test_the_table_marks_what_this_lab_changed(home: Path, capsys: Printed) -> None:
    """Changed, new, off, or nothing; and each changed value with what ships and the line that says so."""
    (home / "rules" / "more.yaml").write_text(NEW, encoding="utf-8")
    out, _ = run(capsys, home, "list")
    marks = {line.split()[0]: re.split(r"\s{2,}", line)[-2:] for line in out[1 : out.index("")]}
    assert marks["bedding-dry"] == ["changed", f"rules/red-wigglers.yaml:{line_of('bedding-dry')} (ships)"]
    assert marks["bedding-cool"] == ["OFF", f"rules/red-wigglers.yaml:{line_of('bedding-cool')} (ships)"]
    assert marks["room-cold"] == ["new", "rules/more.yaml:2"]
    assert marks["bedding-wet"][0] == "2 d"
    assert [re.split(r"\s{2,}", line) for line in out[out.index("") + 1 :]] == [
        ["changed here", "to", "ships as", "by"],
        ["bedding-dry.setpoint", "62 %", "60 %", "rules/site.yaml:2"],
        ["bedding-dry.deadband", "-", "2 %", "rules/site.yaml:2"],
        ["bedding-dry.basis", "our own bedding", _start("bedding-dry", "basis"), "rules/site.yaml:2"],
        ["bedding-cool.enabled", "no", "-", "rules/site.yaml:3"],
    ]


def _start(name: str, field: str) -> str:
    text = read_yaml(shipped_rules()["rules/red-wigglers.yaml"], "f").data["alarms"][name][field]
    return f"{in_units_of(' '.join(text.split()), us=False)[:57]}..."


@pytest.mark.parametrize(
    ("name", "field", "metric", "us"),
    [
        ("bedding-warm", "setpoint", "27 degC", "80.6 °F"),
        ("bedding-warm", "deadband", "1 degC", "1.8 °F"),
        ("bedding-heating", "setpoint", "+6 degC", "+10.8 °F"),
        ("bedding-heating", "beyond", "24 degC", "75.2 °F"),
        ("bedding-drying-fast", "setpoint", "-0.6 % per h", "-0.6 % per h"),
        ("bedding-cooling", "setpoint", "-2 degC per h", "-3.6 °F per h"),
        ("bedding-cooling", "deadband", "0.5 degC per h", "0.9 °F per h"),
        ("tea-stale", "setpoint", "4 h", "4 h"),
    ],
)
def test_one_alarm_in_full_is_in_the_units_of_the_lab(
    home: Path, capsys: Printed, name: str, field: str, metric: str, us: str
) -> None:
    """Limits, differences and rates; what is no temperature stays as it is written."""
    (home / "rules" / "more.yaml").write_text(COOLING, encoding="utf-8")
    assert _field(run(capsys, home, "list", name)[0], field) == metric
    _in_us_units(home)
    assert _field(run(capsys, home, "list", name)[0], field) == us


def test_texts_are_in_the_units_of_the_lab(home: Path, capsys: Printed) -> None:
    """What happens and what to do, with no brace left; JSON is metric."""
    metric = " ".join(" ".join(run(capsys, home, "list", "bedding-hot")[0]).split())
    assert "They die at about 35 °C" in metric
    assert "(Edwards, Earthworm Ecology, 2nd ed. 2004, table 18.3: 4-30 °C)" in metric
    _in_us_units(home)
    us = " ".join(" ".join(run(capsys, home, "list", "bedding-hot")[0]).split())
    assert "They die at about 95 °F" in us
    assert "table 18.3: 39.2-86 °F)" in us
    assert not re.search(r"[{}]|degC|°C", us)
    (found,) = json.loads("".join(run(capsys, home, "list", "bedding-hot", "--json")[0]))
    assert "They die at about 35 °C" in found["consequence"]
    assert found["setpoint"] == 30.0


def test_what_the_lab_changed_is_in_its_units(home: Path, capsys: Printed) -> None:
    """What holds and what ships, below the table."""
    (home / "rules" / "site.yaml").write_text("alarms:\n  bedding-hot: {setpoint: 85 degF}\n", encoding="utf-8")
    _in_us_units(home)
    out, _ = run(capsys, home, "list")
    assert re.split(r"\s{2,}", out[-1])[:3] == ["bedding-hot.setpoint", "85.0 °F", "86.0 °F"]


def _field(lines: list[str], field: str) -> str:
    return next(re.split(r"\s{2,}", line.strip())[1] for line in lines if line.startswith(f"  {field} "))


def _in_us_units(home: Path) -> None:
    lab = home / "lab.yaml"
    text = lab.read_text(encoding="utf-8")
    assert "units: metric" in text
    lab.write_text(text.replace("units: metric", "units: us"), encoding="utf-8")


COOLING = """\
alarms:
  bedding-cooling:
    kind: rate
    measure: bedding_temperature
    window: 2 h
    setpoint: -2 degC per h
    deadband: 0.5 degC per h
    on_delay: 10 min
    off_delay: 10 min
    priority: medium
    consequence: The bedding follows a cold room within hours.
    corrective_action: Close the windows.
    time_to_respond: 4 h
    basis: common practice, no source
"""


def test_one_alarm_in_full_says_where_each_value_comes_from(home: Path, capsys: Printed) -> None:
    """Every field in turn: what holds, from which line, or that it was left out or taken away; long texts in full."""
    out, _ = run(capsys, home, "list", "bedding-dry")
    fields = {line.split()[0]: re.split(r"\s{2,}", line.strip())[1:] for line in out[1:] if not line.startswith("    ")}
    first = line_of("bedding-dry")
    assert out[0] == "bedding-dry: ships, changed by this lab"
    assert fields["kind"] == ["low", f"rules/red-wigglers.yaml:{first + 1} (ships)"]
    assert fields["setpoint"] == ["62 %", "rules/site.yaml:2"]
    assert fields["deadband"] == ["0", "rules/site.yaml:2 (taken away)"]
    assert fields["where"] == ["everywhere", "(left out)"]
    assert fields["enabled"] == ["yes", "(left out)"]
    whole = " ".join(" ".join(out).split())
    assert _start("bedding-dry", "corrective_action").removesuffix("...") in whole
    assert whole.index("our own bedding") > 0


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("bedding-cool", "bedding-cool: switched off"),
        ("bedding-wet", "bedding-wet: as it ships"),
        ("room-cold", "room-cold: does not ship, added by this lab"),
    ],
)
def test_the_first_line_says_what_becomes_of_it(home: Path, capsys: Printed, name: str, said: str) -> None:
    """Off, as it ships, or the lab's own."""
    (home / "rules" / "more.yaml").write_text(NEW, encoding="utf-8")
    out, _ = run(capsys, home, "list", name)
    assert out[0] == said
    assert any(line.split()[:2] == ["where", "room" if name == "room-cold" else "everywhere"] for line in out)


def test_a_slip_in_the_name_is_told(home: Path, capsys: Printed) -> None:
    """With the name that was meant, else where the names are."""
    assert run(capsys, home, "list", "beding-dry", code=1)[1] == [
        "no alarm is called 'beding-dry'; did you mean 'bedding-dry'?"
    ]
    assert run(capsys, home, "list", "zzz", code=1)[1] == ["no alarm is called 'zzz'; see: traywarden rules list"]


def test_programs_get_values_and_origins(home: Path, capsys: Printed) -> None:
    """For each alarm: whether it is in force, its values in plain units and as written, and where each was set."""
    found = {one["name"]: one for one in listed(capsys, home)}
    dry, cool = found["bedding-dry"], found["bedding-cool"]
    assert (dry["enabled"], dry["ships"], dry["changed"]) == (True, True, ["setpoint", "deadband", "basis"])
    assert (dry["setpoint"], dry["written"]["setpoint"], dry["deadband"]) == (62.0, "62 %", 0.0)
    assert dry["origins"]["setpoint"] == {"file": "rules/site.yaml", "line": 2, "column": 27, "site": True}
    assert dry["origins"]["kind"] == {
        "file": "rules/red-wigglers.yaml",
        "line": line_of("bedding-dry") + 1,
        "column": 11,
        "site": False,
    }
    assert (cool["enabled"], cool["changed"]) == (False, ["enabled"])
    assert listed(capsys, home, "bedding-dry") == [dry]


# ---- rules check -------------------------------------------------------------------------------------------------


def test_good_rules_are_one_line(home: Path, capsys: Printed) -> None:
    """How many are in force and how many are off."""
    number = len(Home(home).load_rules())
    out, err = run(capsys, home, "check")
    assert (out, err) == ([f"{number} alarms, good; 1 switched off"], [])


def test_every_mistake_in_every_file_then_what_is_doubtful(home: Path, capsys: Printed) -> None:
    """File, line, column, field, value and what would be right, for all files at once; then the warnings; exit 1."""
    rules = home / "rules"
    (rules / "site.yaml").write_text(
        "alarms:\n"
        "  bedding-dry: {setpoint: 62, deadbnd: 1 %}\n"
        "  bedding-wt: {setpoint: 85 %}\n"
        "  bedding-wet: {setpoint: 85 %}\n"
        "  probe-silent: {setpoint: 4 min}\n"
        "  bedding-hot: {on_delay: 1 min}\n"
        "  bedding-cool: {enabled: maybe}\n",
        encoding="utf-8",
    )
    (rules / "b.yaml").write_text("alarms: {bedding-wet: {setpoint: 84 %}}\n", encoding="utf-8")
    (rules / "c.yml").write_bytes(b"# caf\xe9\n")
    (rules / "d.yaml").mkdir()
    (rules / "e.yaml").write_text("alarms:\n\t- x\n", encoding="utf-8")
    out, err = run(capsys, home, "check", code=1)
    off = line_of("probe-silent", "rules/probes.yaml") + 4
    assert out == []
    assert err == [
        "rules/c.yml:1:1 is not UTF-8 text; save it as UTF-8",
        "rules/d.yaml cannot be read: Is a directory",
        "rules/e.yaml:2:1 not valid YAML: found character '\\t' that cannot start any token; use spaces, not tabs, to"
        " indent",
        "rules/site.yaml:2:27 alarms.bedding-dry.setpoint: 62 has no unit; write it like '60 %'",
        "rules/site.yaml:2:31 alarms.bedding-dry.deadbnd: unknown key; did you mean 'deadband'?",
        "rules/site.yaml:3:3 alarms.bedding-wt: no alarm that ships is called 'bedding-wt'; did you mean 'bedding-wet'?"
        " A new one also needs: kind, priority, consequence, corrective_action, time_to_respond, basis",
        "rules/site.yaml:4:27 alarms.bedding-wet.setpoint: is set at rules/b.yaml:1:34, too; keep one of the two",
        "rules/site.yaml:5:28 alarms.probe-silent.setpoint: clashes with what ships: rules/probes.yaml:"
        f"{off} alarms.probe-silent.off_delay: is not shorter than the setpoint; it could outlast the next silence",
        "rules/site.yaml:7:27 alarms.bedding-cool.enabled: needs yes or no, got 'maybe'",
        "rules/site.yaml:6:27 alarms.bedding-hot.on_delay: warning: 1 min is under two reporting intervals (2 min): one"
        " odd reading can raise it",
    ]


def test_programs_get_each_problem_in_parts(home: Path, capsys: Printed) -> None:
    """File, line, column, field, message and how bad it is."""
    (home / "rules" / "site.yaml").write_text("alarms: {bedding-dry: {deadband: 1 V}}\n", encoding="utf-8")
    (problem,) = json.loads(run(capsys, home, "check", "--json", code=1)[0][0])
    assert problem == {
        "file": "rules/site.yaml",
        "line": 1,
        "column": 34,
        "field": "alarms.bedding-dry.deadband",
        "message": "'1 V': 'V' is not a unit of percent; use one of %",
        "severity": "error",
    }


def test_without_a_lab_file_the_rules_are_checked_all_the_same(home: Path, capsys: Printed) -> None:
    """And it is said that nothing was checked against its places."""
    (home / "lab.yaml").unlink()
    (home / "rules" / "site.yaml").write_text("alarms: {probe-silent: {deadband: null}}\n", encoding="utf-8")
    out, err = run(capsys, home, "check")
    assert err[0] == (
        "rules/site.yaml:1:35 alarms.probe-silent.deadband: warning: takes nothing away: it is not set in what ships"
    )
    assert err[1].startswith("lab.yaml cannot be read, so nothing was checked against its places")
    assert out[0].endswith("alarms, good; 1 warning")


# ---- init --------------------------------------------------------------------------------------------------------


def test_the_example_in_site_yaml_works_as_it_says(tmp_path: Path, capsys: Printed) -> None:
    """With its comment signs taken away it is a good file: one value changed, one taken away, one off, one more."""
    home = tmp_path / "home"
    assert main(["init", "--home", str(home)]) == 0
    lines = SITE_RULES.splitlines()
    example = [line.removeprefix("# ") for line in lines[lines.index("# alarms:") : lines.index("alarms: {}")]]
    (home / "rules" / "site.yaml").write_text("\n".join(example) + "\n", encoding="utf-8")
    capsys.readouterr()
    assert run(capsys, home, "check")[1] == []
    found = {one["name"]: one for one in listed(capsys, home)}
    assert found["bedding-dry"]["changed"] == ["setpoint", "basis"]
    assert found["bedding-wet"]["changed"] == ["deadband"]
    assert found["bedding-cool"]["enabled"] is False
    assert found["room-cold"]["ships"] is False
    schema = json.loads((home / "rules.schema.json").read_text(encoding="utf-8"))
    assert Draft202012Validator(schema).is_valid(read_yaml("\n".join(example), "f").data)


def test_what_is_overdue_is_listed_as_what_it_is(home: Path, capsys: Printed) -> None:
    """Not 'any' measure and no delay of 0 s: the thing itself, and no delay."""
    lines, _ = run(capsys, home, "list")
    (row,) = [re.split(r"  +", line) for line in lines if line.startswith("tea-window-over ")]
    assert row[1:7] == ["overdue", "brew end", "everywhere", "36 h", "-", "medium"]
    whole = json.loads(run(capsys, home, "list", "tea-window-over", "--json")[0][0])
    assert (whole[0]["what"], whole[0]["measure"]) == ("brew end", "")
