"""What `status` makes of the journal: moved probes, the worst flag, alarms about the link, and who is told."""

from dataclasses import replace
from pathlib import Path

import pytest

from collector.alarms.model import AlarmKey, AlarmState, State
from collector.cli.commands.status import show
from collector.cli.local import Local
from collector.cli.status.values import alarm_row, status, worst_flag
from collector.config.home import Home
from collector.config.lab_file import read_lab
from collector.intake.inbox import IncomingMessage
from collector.pipeline.building import build_pipeline
from collector.pipeline.notices import Outlet
from collector.store.journal import Journal
from collector.store.tables.alarm_rows import HeldAlarm
from tests.cli.command_line import stock
from tests.worlds.by_hand import MAIL, START, rules_of
from tests.worlds.home import LAB, hot_pack


@pytest.fixture
def home(tmp_path: Path) -> Home:
    stock(tmp_path / "home")
    return Home(tmp_path / "home")


@pytest.mark.parametrize(
    ("flags", "worst"),
    [((1,), 1), ((1, 2), 2), ((2, 3, 1), 3), ((9, 3), 9), ((9, 4, 1), 4), ((4, 9), 4)],
)
def test_the_worst_flag_is_the_one_that_most_needs_a_look(flags: tuple[int, ...], worst: int) -> None:
    """Fail before missing before suspect before not evaluated."""
    assert worst_flag(flags) == worst


def test_a_moved_probe_shows_where_it_is_now(home: Home) -> None:
    """Its readings of the old place are history; at the new one it has not been heard."""
    lab = read_lab(LAB.replace("place: juniper/top", "place: maple/bottom"), "lab.yaml")
    with Journal(home.database, "UTC", START) as journal:
        build_pipeline(lab, rules_of(), journal, Outlet(), START)
    rows = {row["id"]: row for row in status(home, lab, START)["probes"]}
    assert (rows["juniper-top"]["at"], rows["juniper-top"]["last_heard"]) == ("maple/bottom", None)


def test_without_a_lab_the_journal_tells_what_it_knows(home: Home) -> None:
    """Every probe it ever placed, at its place."""
    rows = {row["id"]: row for row in status(home, None, START)["probes"]}
    assert rows["juniper-top"]["at"] == "juniper/top"
    assert rows["juniper-top"]["newest"]["bedding_temperature"]["value"] == 31.25
    assert rows["room-air"]["flag"] == 9


@pytest.mark.parametrize(
    ("state", "standing"),
    [(State.UNACKNOWLEDGED, True), (State.ACKNOWLEDGED, True), (State.RETURNED, False)],
)
def test_an_alarm_about_the_link_is_at_the_broker(state: State, standing: bool) -> None:
    """It has no series; since is when the condition began, or when it was raised."""
    held = HeldAlarm(
        state=AlarmState(key=AlarmKey("broker-lost", 0), state=state, raised_ms=START),
        place="",
        measure="",
        priority="high",
    )
    row = alarm_row(held, {})
    assert (row["at"], row["since"], row["standing"]) == ("broker", "2026-03-02T08:00:00Z", standing)


def test_an_alarm_that_never_rose_stands_so_since_it_came_to_that() -> None:
    """Suppressed without having been raised: since that change, and not since 1970 where no change is known."""
    state = AlarmState(key=AlarmKey("tea-warm", 1), state=State.SUPPRESSED, changed_ms=START)
    assert (
        alarm_row(HeldAlarm(state=state, place="kettle", measure="", priority="low"), {})["since"]
        == "2026-03-02T08:00:00Z"
    )
    assert (
        alarm_row(HeldAlarm(state=replace(state, changed_ms=0), place="kettle", measure="", priority="low"), {})[
            "since"
        ]
        is None
    )


def test_status_counts_what_is_suppressed_and_shows_the_rest(capsys: pytest.CaptureFixture[str], home: Home) -> None:
    """A lab at rest has many alarms suppressed by design; a person who looks for trouble sees none of them."""
    found = status(home, None, START)
    (hot,) = found["alarms"]
    found["alarms"] = [hot, hot | {"name": "tea-warm", "state": "suppressed"}]
    show(found, Local("UTC"))
    found["alarms"] = found["alarms"][1:]
    show(found, Local("UTC"))
    out = capsys.readouterr().out
    assert out.count("bedding-hot") == out.count("no alarms") == 1
    assert "tea-warm" not in out
    assert out.count("1 suppressed by design: traywarden alarms list") == 2


def test_people_are_told_what_their_priorities_ask_for(tmp_path: Path) -> None:
    """An alarm of high priority, a teacher who asked for low ones only: stored and shown, and no mail to anybody."""
    text = LAB.replace("teacher@quillbrook.example}", "teacher@quillbrook.example, priorities: [low]}")
    lab = read_lab(text, "lab.yaml")
    with Journal(tmp_path / "traywarden.db", "UTC", START) as journal:
        pipeline = build_pipeline(lab, rules_of(), journal, Outlet(mail=MAIL), START)
        hot = IncomingMessage(
            topic="worms/juniper/top",
            payload=hot_pack(START / 1000, 33.0).encode(),
            mid=1,
            redelivered=False,
            retained=False,
        )
        pipeline.intake.accept(hot, START)
        pipeline.settle(START)
        pipeline.release(START)
    assert [row.transition.key.rule for row in pipeline.batch.transitions] == ["bedding-hot"]
    assert pipeline.batch.messages == []
