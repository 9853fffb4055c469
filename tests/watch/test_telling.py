"""What people are told, through the pipeline and a real journal: over crashes, at night, while a backlog comes in."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.store.requests import DiaryAdd
from collector.watch.catching_up import BACKLOG_MESSAGES, CATCH_UP_S, CAUGHT_UP_S, CatchingUp
from tests.worlds.by_hand import DRY_LATER, START, ByHand, rules_of
from tests.worlds.home import HOT_AT_ONCE

HOUR_MIN = 60


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[ByHand]:
    by_hand = ByHand(tmp_path / "home")
    yield by_hand
    by_hand.close()


def _outbox(lab: ByHand) -> list[tuple[object, ...]]:
    return lab.ask("SELECT key, subject FROM outbox ORDER BY id")


def _fates(lab: ByHand) -> list[tuple[object, ...]]:
    return lab.ask("SELECT event, fate FROM notices ORDER BY t_ms, event")


def test_a_crash_between_commit_and_sending_repeats_nothing(lab: ByHand) -> None:
    """The message is in the outbox, unsent; the collector that starts again makes no second one."""
    lab.tray(0, 33.0)
    lab.commit()
    before = _outbox(lab)
    for minute in (1, 2, 30):
        lab.restart()
        lab.settle(minute)
        lab.commit()
    assert len(before) == 1
    assert _outbox(lab) == before
    assert lab.ask("SELECT state FROM outbox") == [("waiting",)]


def test_a_crash_before_the_commit_leaves_the_same_message_to_be_made(lab: ByHand) -> None:
    """Decided, and lost with the process: the reading comes again, and so does the message, with the same key."""
    lab.tray(0, 33.0)
    lab.settle()
    (subject,) = lab.told()
    key = lab.pipeline.batch.messages[0].key
    lab.restart()
    assert _outbox(lab) == []
    lab.tray(0, 33.0)
    lab.commit()
    assert _outbox(lab) == [(key, subject)]


def test_what_is_held_back_is_told_after_a_restart(lab: ByHand) -> None:
    """Over within the minute that spaces messages: one more message, in the thread of the first, whoever made it."""
    lab.tray(0, 30.5)
    lab.commit()
    lab.tray(0.5, 28.9)
    lab.settle(0.5)
    lab.commit()
    assert _fates(lab) == [("raised", "told"), ("cleared", "waiting")]
    lab.restart()
    lab.settle(1)
    lab.commit()
    assert _fates(lab) == [("raised", "told"), ("cleared", "told")]
    (first, _), (_, subject) = _outbox(lab)
    assert "BACK TO NORMAL" in str(subject)
    assert lab.ask("SELECT parents FROM outbox ORDER BY id") == [("",), (first,)]


def test_a_medium_alarm_of_the_night_waits_over_a_restart(lab: ByHand) -> None:
    """Dry at eleven at night, 12 h to respond: nothing until seven, then one message."""
    lab.restart()
    for minute in (15 * HOUR_MIN, 15 * HOUR_MIN + 4):
        lab.settle(minute)
        lab.tray(minute, 21.0, moisture=0.5)
        lab.commit()
    lab.restart()
    lab.settle(22.9 * HOUR_MIN)
    lab.commit()
    assert _outbox(lab) == []
    assert _fates(lab) == [("raised", "waiting")]
    lab.settle(23 * HOUR_MIN)
    lab.commit()
    ((_, subject),) = _outbox(lab)
    assert str(subject).startswith("SOON: Juniper, top tray")


def test_a_low_alarm_sends_nothing_by_itself(lab: ByHand) -> None:
    """A silent probe, of low priority: left for the digest, and said to be."""
    lab.pipeline.link_changed(up=True, now_ms=START, text="up")
    lab.tray(0, 21.5)
    lab.commit()
    lab.now_ms = START + 20 * 60_000
    lab.pipeline.tick(lab.now_ms)
    lab.commit()
    assert _outbox(lab) == []
    assert {fate for _, fate in _fates(lab)} == {"digest"}


def test_a_backlog_is_told_together(lab: ByHand) -> None:
    """Three alarms of an outage, one of them over: nothing goes while it comes in, then one message tells all."""
    lab.now_ms = START + 3 * HOUR_MIN * 60_000
    for minute, celsius in ((0, 33.0), (30, 28.0), (60, 33.5)):
        lab.tray(minute, celsius)
        lab.settle()
        lab.pipeline.release(lab.now_ms, gathering=True)
    assert lab.pipeline.batch.messages == []
    lab.commit()
    assert len(_outbox(lab)) == 1
    assert {fate for _, fate in _fates(lab)} == {"told"}


def test_catching_up_lasts_as_long_as_a_backlog_comes_in_and_a_minute_at_most() -> None:
    """A start gathers until the link is up and a second more; each full turn adds a second."""
    state = CatchingUp(100.0, CAUGHT_UP_S)
    assert state.gathering(100.9)
    state.took(BACKLOG_MESSAGES, 100.9)
    assert state.gathering(101.8)
    assert not state.gathering(101.9)
    state.took(1, 102.0)
    state.took(BACKLOG_MESSAGES, 102.0)  # many at once later on are no backlog
    assert not state.gathering(102.0)
    state.begin(200.0, CATCH_UP_S)
    for second in range(200, 400):
        state.took(BACKLOG_MESSAGES, float(second))
    assert not state.gathering(200.0 + CATCH_UP_S + CAUGHT_UP_S)


_HEEDS_WATERING = DRY_LATER.replace("    priority: medium\n", "    priority: high\n    not_while: watered within 1 h\n")
WATERED = DiaryAdd(kind="watered", place="juniper/top", by="class 4b")


@pytest.fixture
def dry(tmp_path: Path) -> Iterator[ByHand]:
    """Told of a dry tray at minute three; at minute nine a class notes that it watered, which keeps the alarm quiet."""
    lab = ByHand(tmp_path / "dry", rules_of(HOT_AT_ONCE + _HEEDS_WATERING))
    _minutes(lab, range(10), 0.55)
    assert lab.pipeline.note(WATERED, lab.now_ms, lab.now_ms).done
    lab.commit()
    yield lab
    lab.close()


def _minutes(lab: ByHand, minutes: range, moisture: float) -> None:
    for minute in minutes:
        lab.settle(minute)
        lab.tray(minute, 21.0, moisture)
        lab.pipeline.tick(lab.now_ms - 5_000)
        lab.commit()


@pytest.mark.parametrize("restart", [False, True])
def test_a_tray_that_was_watered_is_told_to_be_well_again(dry: ByHand, restart: bool) -> None:
    """Once its moisture is back, not only after the hour, and once; also where the collector starts anew in between."""
    _minutes(dry, range(10, 12), 0.58)
    if restart:
        dry.restart()
    _minutes(dry, range(12, 90), 0.78)
    assert [str(subject).partition(":")[0] for _, subject in _outbox(dry)] == ["URGENT", "BACK TO NORMAL"]
    assert [event for event, _ in _fates(dry)] == ["raised", "cleared"]


def test_a_tray_that_is_still_dry_after_the_hour_calls_anew(dry: ByHand) -> None:
    """No end is told that was none; then, once it is well, one."""
    _minutes(dry, range(10, 75), 0.56)
    assert [str(subject).partition(":")[0] for _, subject in _outbox(dry)] == ["URGENT", "URGENT"]
    _minutes(dry, range(75, 90), 0.78)
    assert [str(subject).partition(":")[0] for _, subject in _outbox(dry)] == ["URGENT", "URGENT", "BACK TO NORMAL"]
