"""`export`, `backup`, `restore`, `status` and `alarms`: what comes out of the journal, and times people write."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.store.homelock import HomeLock
from collector.store.watch_state import WatchState, write_state
from tests.cli.command_line import Commands, stock

HEAD = "time,bin,tray,probe,measure,unit,value,flag"


@pytest.fixture
def commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    stock(tmp_path / "home")
    return Commands(tmp_path / "home", capsys)


def times(out: str) -> list[str]:
    return [line[11:16] for line in out.splitlines()[1:]]


# export


def test_csv_has_the_columns_and_all_rows(commands: Commands) -> None:
    """Eight columns, ISO 8601 in UTC, a reading without a number with its flag."""
    lines = commands.good("export").splitlines()
    assert lines[0] == HEAD
    assert len(lines) == 1 + 7
    assert lines[1] == "2026-03-02T08:00:00.000Z,juniper,top,juniper-top,bedding_temperature,degC,29.5,1"
    assert lines[-1] == "2026-03-02T08:03:00.000Z,room,,room-air,air_temperature,degC,,9"


def test_senml_is_a_resolved_pack_and_lines_are_line_protocol(commands: Commands) -> None:
    """Numbers only in SenML; every reading in line protocol."""
    pack = json.loads(commands.good("export", "--format", "senml"))
    assert pack[0] == {"n": "juniper/top/juniper-top/bedding_temperature", "u": "Cel", "v": 29.5, "t": 1_772_438_400}
    lines = commands.good("export", "--format", "lines").splitlines()
    assert len(lines) == 7
    head = "bedding_temperature,bin=juniper,channel=temperature,lab=Quillbrook\\ School\\ worm\\ lab,place=juniper/top,"
    assert lines[0] == f"{head}probe=juniper-top,tray=top flag=1i,raw=29.5,value=29.5 1772438400000000000"


@pytest.mark.parametrize(
    ("span", "kept"),
    [
        (("--since", "2026-03-02T08:01Z"), ["08:01", "08:01", "08:02", "08:02", "08:03"]),
        (("--since", "2026-03-02 08:01", "--until", "2026-03-02T08:02:00+00:00"), ["08:01", "08:01"]),
        (("--until", "2026-03-02T09:01:00+01:00"), ["08:00", "08:00"]),
        (("--since", "1970-01-01", "--until", "2026-03-02"), []),
        (("--since", "0001-01-01"), ["08:00", "08:00", "08:01", "08:01", "08:02", "08:02", "08:03"]),
        (("--until", "9999-12-31T23:59:59Z", "--at", "room"), ["08:03"]),
        (("--since", "9999-12-31"), []),
        (("--since", "1 s"), []),
    ],
)
def test_a_span_is_from_its_start_to_before_its_end(commands: Commands, span: tuple[str, ...], kept: list[str]) -> None:
    """Dates and times in the lab's zone or with their own, long ago and far ahead, or so long ago."""
    assert times(commands.good("export", *span)) == kept


@pytest.mark.parametrize(
    ("span", "says"),
    [
        (("--since", "yesterday"), "'yesterday' is not a time; write '2026-03-02'"),
        (("--since", "2026-02-30"), "'2026-02-30' is not a time"),
        (("--until", "25:00"), "'25:00' is not a time"),
        (("--since", "2026-03-02T08:00+99:00"), "is not a time"),
        (("--since", "2026-03-03", "--until", "2026-03-02"), "--since 2026-03-03 is not before --until 2026-03-02"),
        (("--at", "junper"), "--at junper: nothing stored there; places: juniper/middle, juniper/top, maple/top, room"),
        (("--out", "/nowhere/at/all.csv"), "/nowhere/at/all.csv: cannot be written: No such file or directory"),
    ],
)
def test_wrong_times_and_places_are_one_line(commands: Commands, span: tuple[str, ...], says: str) -> None:
    """What was written, and what would be right."""
    assert says in commands.wrong("export", *span)


def test_a_bin_stands_for_its_trays(commands: Commands) -> None:
    """--at juniper is all that is in Juniper."""
    assert len(times(commands.good("export", "--at", "juniper"))) == 6
    assert len(times(commands.good("export", "--at", "juniper/top"))) == 6


def test_an_export_to_a_file_is_the_same_text(commands: Commands, tmp_path: Path) -> None:
    """--out writes what standard output would get, and prints nothing."""
    for kind in ("csv", "senml", "lines"):
        out = tmp_path / f"march.{kind}"
        assert commands.good("export", "--format", kind, "--out", str(out)) == ""
        assert out.read_text(encoding="utf-8") == commands.good("export", "--format", kind)


def test_an_export_never_writes_over_the_journal(commands: Commands) -> None:
    """--out with the journal's own name, or another name of it, is refused and the journal is whole."""
    database = commands.home / "traywarden.db"
    link = commands.home / "alias"
    link.symlink_to(database)
    for name in (database, link):
        assert "this is the journal itself" in commands.wrong("export", "--out", str(name))
    assert len(times(commands.good("export"))) == 7


# backup and restore


def test_a_backup_restored_is_the_journal_of_then(commands: Commands, tmp_path: Path) -> None:
    """Readings, alarms and outbox come back; the replaced journal is kept; waiting mail is not sent again."""
    copy = tmp_path / "march.db"
    assert "checked" in commands.good("backup", str(copy))
    then = commands.good("export")
    with closing(sqlite3.connect(commands.home / "traywarden.db")) as db, db:
        db.execute("DELETE FROM readings")
    assert len(times(commands.good("export"))) == 0
    out = commands.good("restore", str(copy))
    assert "restored" in out
    assert "is kept as" in out
    assert "1 messages that waited in the backup are not sent again" in out
    assert commands.good("export") == then
    assert commands.json("status")["outbox"]["unconfirmed"] == 1
    assert len(list(commands.home.glob("traywarden.db.replaced-*"))) == 1


def test_a_restore_into_a_new_home_replaces_nothing(
    commands: Commands, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Moving to another machine: the backup becomes its journal."""
    commands.good("backup", str(tmp_path / "march.db"))
    moved = Commands(tmp_path / "new", capsys)
    assert "no such folder; make it with: traywarden init" in moved.wrong("restore", str(tmp_path / "march.db"))
    moved.home.mkdir()
    assert "is kept as" not in moved.good("restore", str(tmp_path / "march.db"))
    assert len(times(moved.good("export"))) == 7


def test_restore_is_refused_while_watch_runs(commands: Commands, tmp_path: Path) -> None:
    """The lock of the home is held: one line that names the process, and nothing is touched."""
    commands.good("backup", str(tmp_path / "march.db"))
    with HomeLock(commands.home):
        line = commands.wrong("restore", str(tmp_path / "march.db"))
    assert "a collector is running here (process " in line
    assert list(commands.home.glob("*.replaced-*")) == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("backup", "."), "a folder; name the file to write"),
        (("backup", "{home}/lab.yaml"), "there already; name another file"),
        (("backup", "/nowhere/copy.db"), "no such folder"),
        (("restore", "/nowhere/copy.db"), "not there"),
        (("restore", "{home}/traywarden.db"), "this is the database itself"),
        (("restore", "{home}/lab.yaml"), "not a database"),
    ],
)
def test_a_copy_that_cannot_be_made_is_one_line(commands: Commands, arguments: tuple[str, ...], says: str) -> None:
    """What stands in the way, with its name."""
    assert says in commands.wrong(*(one.format(home=commands.home) for one in arguments))


# status and alarms


def test_status_has_the_keys_programs_rely_on(commands: Commands) -> None:
    """The contract of `status --json`."""
    found = commands.json("status")
    assert {"readings", "backlog", "rejected", "probes", "alarms", "outbox"} <= found.keys()
    assert (found["readings"], found["backlog"], found["rejected"]) == (7, 0, 1)
    top = found["probes"][0]
    assert (top["id"], top["at"], top["last_heard"], top["flag"]) == (
        "juniper-top",
        "juniper/top",
        "2026-03-02T08:02:00Z",
        1,
    )
    (alarm,) = found["alarms"]
    assert {name: alarm[name] for name in ("name", "at", "state", "priority", "since")} == {
        "name": "bedding-hot",
        "at": "juniper/top",
        "state": "unacknowledged",
        "priority": "high",
        "since": "2026-03-02T08:01:00Z",
    }
    assert found["outbox"] == {"waiting": 1, "sent": 0, "failed": 0, "unconfirmed": 0}


def test_status_for_people_says_the_same_in_words(commands: Commands) -> None:
    """What runs, what is held, what stands, each probe with its newest values."""
    out = commands.good("status")
    assert "collector  has not run here yet" in out
    assert "readings   7 held, 0 waiting, 1 messages unreadable, 2 readings nobody claims" in out
    assert "bedding-hot  juniper/top  unacknowledged" in out
    assert "31.2 °C" in out or "31.3 °C" in out
    assert "never heard" in out


@pytest.mark.parametrize(
    ("code", "state", "says"),
    [
        (1, WatchState(alive_ms=1_772_438_400_000, stopped=True), "stopped at 2026-03-02T08:00:00Z"),
        (1, WatchState(alive_ms=1_772_438_400_000), "not running; last sign of life 2026-03-02T08:00:00Z"),
        (0, WatchState(alive_ms=2**43, backlog=3), "running"),
        (
            0,
            WatchState(alive_ms=2**43, backlog=3, stalled="the disk is full"),
            "running, but the journal cannot be written: the disk is full",
        ),
        (0, WatchState(alive_ms=2**43, link_trouble="no answer"), "running without the broker: no answer"),
    ],
)
def test_status_says_how_the_collector_is(commands: Commands, code: int, state: WatchState, says: str) -> None:
    """From its sign of life; it ends with 1 where the collector has run and does not now, with the same words."""
    write_state(commands.home / "traywarden.watch", state)
    said = commands.run("status", "--json")
    assert (said.code, json.loads(said.out)["watch"], said.err) == (code, says, "")
    assert commands.run("status").code == code


def test_alarms_list_and_history_show_what_happened(commands: Commands) -> None:
    """The list has what is not normal; the history has each change, oldest first, in the lab's time."""
    assert commands.json("alarms", "list")[0]["name"] == "bedding-hot"
    assert "bedding-hot  juniper/top  unacknowledged" in commands.good("alarms", "list")
    (raised,) = commands.json("alarms", "history")
    assert raised["event"] == "raised"
    assert "juniper/top" in raised.values()
    assert "2026-03-02 08:01" in commands.good("alarms", "history")
    for span in (("--since", "2026-03-02T08:02Z"), ("--until", "2026-03-02T08:01Z"), ("--since", "1 min")):
        assert commands.json("alarms", "history", *span) == []
    assert "is not a time" in commands.wrong("alarms", "history", "--since", "x")


def test_nothing_to_show_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A quiet lab has no alarms, in words and as an empty list."""
    stock(tmp_path / "home", [(0, 21.5)])
    commands = Commands(tmp_path / "home", capsys)
    assert commands.good("alarms", "list") == "no alarms\n"
    assert commands.json("alarms", "list") == commands.json("alarms", "history") == []
    assert "no alarms" in commands.good("status")


@pytest.mark.parametrize("by", ["", "  ", "x" * 61, "a\nb"])
def test_who_acknowledges_is_a_role_in_plain_letters(commands: Commands, by: str) -> None:
    """No empty, endless or broken text in the record."""
    assert commands.wrong("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top", "--by", by).startswith(
        "--by: "
    )


def test_an_acknowledgement_waits_for_the_collector(commands: Commands) -> None:
    """Not running: noted, and taken up when it does."""
    out = commands.good("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top", "--by", "class 4b")
    assert "noted; the collector is not running" in out
