"""What is ordered of alarms and probes by command, and the history of alarms with the unit of each value."""

import shlex
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.store.reader import Reader
from collector.store.requests import Acknowledge, AlarmOrder, kind_of
from tests.cli.command_line import Commands, stock
from tests.letters.letters import letter
from tests.worlds.home import HOT_AT_ONCE


@pytest.fixture
def commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    stock(tmp_path / "home")
    return Commands(tmp_path / "home", capsys)


ORDERS = [
    ("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top"),
    ("alarms", "shelve", "bedding-hot", "--at", "juniper/top", "--for", "8 h", "--reason", "repair"),
    ("alarms", "unshelve", "bedding-hot", "--at", "juniper/top"),
    ("probes", "out-of-service", "juniper-top", "--reason", "repair"),
    ("probes", "in-service", "juniper-top"),
]
"""All but who orders it."""


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: " ".join(order[:2]))
def test_an_order_waits_for_the_collector_and_says_so_to_programs(commands: Commands, order: tuple[str, ...]) -> None:
    """Left in the journal with who it was, once for each time it is given."""
    said = commands.json(*order, "--by", " teacher ")
    assert (said["done"], said["answer"]) == (False, "noted; the collector is not running and takes it up when it does")
    with Reader(commands.home / "traywarden.db") as reader:
        (row,) = reader.pending_requests()
    assert isinstance(row.request, AlarmOrder)
    assert (kind_of(row.request), row.request.by) == (said["order"], "teacher")


def test_a_shelving_beyond_the_limit_is_refused_without_a_collector_too(commands: Commands) -> None:
    """One line that names the limit, and nothing is left for the collector; the limit itself is taken."""
    shelve = (*ORDERS[1][:5], "--reason", "holidays", "--by", "teacher", "--for")
    assert commands.wrong(*shelve, "400 d") == (
        "--for: an alarm is shelved for 7 d at most; what lasts longer wants a rule"
    )
    with Reader(commands.home / "traywarden.db") as reader:
        assert list(reader.pending_requests()) == []
    assert "noted" in commands.good(*shelve, "7 d")


def test_the_command_in_a_message_is_one_that_can_be_typed(commands: Commands) -> None:
    """Pasted as it stands, it leaves the acknowledgement of the person who was told."""
    text = letter().body.replace("\\\n", "")
    (line,) = (line for line in text.splitlines() if line.strip().startswith("traywarden alarms acknowledge"))
    assert "noted" in commands.good(*shlex.split(line)[1:])
    with Reader(commands.home / "traywarden.db") as reader:
        (row,) = reader.pending_requests()
    assert isinstance(row.request, Acknowledge)
    assert row.request.by == "teacher"


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: " ".join(order[:2]))
def test_an_order_needs_somebody_who_gives_it(commands: Commands, order: tuple[str, ...]) -> None:
    """Left out it is usage; empty it is one line."""
    assert "--by" in commands.usage(*order)
    assert commands.wrong(*order, "--by", " ").startswith("--by: ")


@pytest.mark.parametrize(
    ("order", "says"),
    [
        (
            ("out-of-service", "juniper-tpo", "--reason", "r"),
            "no probe is called 'juniper-tpo'; did you mean 'juniper-top'?",
        ),
        (("in-service", "x"), "no probe is called 'x'; lab.yaml has juniper-top"),
        (("out-of-service", "juniper-top", "--reason", " "), "--reason: one line of plain text"),
        (("out-of-service", "juniper-top", "--reason", "a\nb"), "--reason: one line of plain text"),
    ],
)
def test_a_slip_about_a_probe_is_told_without_a_collector(
    commands: Commands, order: tuple[str, ...], says: str
) -> None:
    """One line, and nothing is left for the collector."""
    assert commands.wrong("probes", *order, "--by", "teacher").startswith(says)
    with Reader(commands.home / "traywarden.db") as reader:
        assert reader.pending_requests() == []


def _past(home: Path, rule: str, value: float) -> None:
    """One change of an alarm at Juniper's top tray, as it is stored."""
    with closing(sqlite3.connect(home / "traywarden.db")) as db, db:
        db.execute("UPDATE alarm_history SET rule = ?, value = ?, worst = ?", (rule, value, value))


@pytest.mark.parametrize(
    ("rule", "value", "shown", "unit"),
    [
        ("bedding-warm", 27.31, "27.3 °C", "degC"),
        ("bedding-heating", 7.25, "7.2 °C", "K"),
        ("probe-doubtful", 33.3, "33 %", "%"),
        ("bedding-freezing-ahead", 1.5, "1.5 °C", "degC"),
        ("warming", 2.3, "2.3 °C per h", "K per h"),
        ("gone-since", 2.345678912, "2.34568", None),
    ],
)
def test_the_history_shows_each_value_in_the_unit_of_its_kind(
    commands: Commands, rule: str, value: float, shown: str, unit: str | None
) -> None:
    """A rate is per hour, a difference of temperatures is in kelvin; of a rule that is no more it is a plain number."""
    warming = HOT_AT_ONCE.replace("bedding-hot:", "warming:").replace("kind: high", "kind: rate\n    window: 1 h")
    warming = warming.replace("30 degC\n", "2 degC per h\n").replace("deadband: 1 degC", "deadband: 1 degC per h")
    (commands.home / "rules" / "site.yaml").write_text(warming, encoding="utf-8")
    _past(commands.home, rule, value)
    (row,) = commands.json("alarms", "history")
    assert (row["value"], row["worst"], row["unit"]) == (value, value, unit)
    assert f"  {shown}" in commands.good("alarms", "history").splitlines()[1]


def test_the_history_shows_differences_in_fahrenheit_as_differences(commands: Commands) -> None:
    """Seven kelvin are 12.6 °F apart, not 44.6 °F."""
    lab = commands.home / "lab.yaml"
    lab.write_text(lab.read_text(encoding="utf-8").replace("units: metric", "units: us"), encoding="utf-8")
    _past(commands.home, "bedding-heating", 7.0)
    assert "  12.6 °F" in commands.good("alarms", "history")


def test_a_history_shows_although_the_rules_have_a_mistake(commands: Commands) -> None:
    """Values of rules that can still be read keep their unit."""
    (commands.home / "rules" / "site.yaml").write_text("alarms: {bedding-dry: {setpoint: many}}", encoding="utf-8")
    _past(commands.home, "bedding-heating", 7.0)
    assert "  7.0 °C" in commands.good("alarms", "history")


def test_probes_list_says_which_are_out_of_service_and_by_whom(commands: Commands) -> None:
    """For people below the table, for programs with each probe."""
    assert commands.json("probes", "list")["probes"][0]["out_of_service_by"] is None
    assert "out of service" not in commands.good("probes", "list")
    with closing(sqlite3.connect(commands.home / "traywarden.db")) as db, db:
        db.execute("UPDATE alarm_states SET state = 'out-of-service', out_by = 'maintainer'")
    listed = {one["id"]: one["out_of_service_by"] for one in commands.json("probes", "list")["probes"]}
    assert listed["juniper-top"] == "maintainer"
    assert set(listed.values()) == {"maintainer", None}
    assert "juniper-top is out of service, by maintainer\n" in commands.good("probes", "list")
