"""The maintainer's week, in words."""

from dataclasses import replace
from datetime import UTC, date

from collector.alarms.audit.figures import Window, audit
from collector.reports.weekly import Battery, ProbeWeek, Storage, WeeklyView, sections, subject, weekly_key
from tests.alarms.histories import DAY, HOUR, MIN, T0, History
from tests.letters.examples import LAB

WEEK = Window(T0, T0 + 7 * DAY, 7 * DAY)


def view(history: History, **changes: object) -> WeeklyView:
    calm = WeeklyView(
        lab=LAB,
        day=date(2026, 3, 9),
        audit=audit(history.changes, WEEK, UTC, {"warm": 4 * HOUR}),
        heard=(ProbeWeek("juniper-top", 10_080, 10_080),),
        batteries=(),
        storage=Storage(21_400_000, 8_123_456_789, 241_920),
        outbox={"sent": 12, "waiting": 1},
        told=("juniper: teacher by email", "room: nobody"),
    )
    return replace(calm, **changes)  # type: ignore[arg-type]


def told(found: WeeklyView) -> dict[str, tuple[str, ...]]:
    return {section.title: section.lines for section in sections(found)}


def test_a_calm_week() -> None:
    """The figures beside their target, that all was heard, the disk, and how messages ended."""
    found = told(view(History()))
    assert found["Alarms"] == (
        "0 alarms and 0 messages in 7.0 days of readings, 0.0 messages a day (target for one lab: under 1)",
    )
    assert found["Readings"] == ("1 probe heard, each with 99 % or more of its readings",)
    assert found["Storage and messages"] == (
        "journal 21.4 MB, 8,123 MB free on its disk; 241,920 readings in the week",
        "messages: 12 sent, 0 failed, 0 unconfirmed, 1 waiting",
    )
    assert found["Who would be told of a high alarm now"] == ("juniper: teacher by email", "room: nobody")
    assert "Batteries" not in found
    assert subject(view(History())) == "Quillbrook School: the week before Monday 9 Mar"
    assert weekly_key(date(2026, 3, 9), "maintainer") == "weekly-2026-03-09-maintainer"


def test_bad_actors_are_named_with_their_habits() -> None:
    """Chattering and stale alarms with how often, and what command says what would have helped."""
    history = History()
    for minute in (0, 5, 10):
        history.call(10 * HOUR + minute * MIN, MIN)
    history.call(3 * DAY, None)
    lines = told(view(history))["Alarms"]
    assert lines[0].startswith("4 alarms and 7 messages in 7.0 days of readings, 1.0 messages a day")
    assert "(1 bout of chattering, 1 stale, 3 never acknowledged)" in lines[1]
    assert any("has stood for 4 d" in line for line in lines)
    assert lines[-1] == "What would have helped: traywarden rules audit --since '30 d'"


def test_a_flood_is_told_with_its_size() -> None:
    """More than ten alarms within ten minutes."""
    history = History()
    for n in range(12):
        history.call(DAY + n * 1_000, None, None, f"alarm-{n}")
    assert "1 flood, the largest of 12 alarms" in told(view(history))["Alarms"]


def test_probes_that_were_heard_seldom_come_first() -> None:
    """The worst first, with how many readings are missing; the others are not listed."""
    heard = (
        ProbeWeek("juniper-top", 9_576, 10_080),
        ProbeWeek("maple-top", 0, 10_080),
        ProbeWeek("room-air", 2_016, 2_016),
    )
    assert told(view(History(), heard=heard))["Readings"] == (
        "maple-top: 0.0 % of its readings came (10,080 of 10,080 missing)",
        "juniper-top: 95.0 % of its readings came (504 of 10,080 missing)",
    )
    assert ProbeWeek("new", 0, 0).percent == 100.0


def test_the_weakest_battery_comes_first() -> None:
    """With what it was a week ago, where that is known."""
    batteries = (Battery("room-air", 4.012, None), Battery("maple-top", 3.5, 3.62))
    lines = told(view(History(), batteries=batteries))["Batteries"]
    assert lines == ("maple-top: 3.50 V (3.62 V a week ago)", "room-air: 4.01 V")


def test_a_lab_without_probes_has_no_section_of_readings() -> None:
    """Nothing to say is not said."""
    assert "Readings" not in told(view(History(), heard=()))
