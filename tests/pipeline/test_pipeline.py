"""From messages to rows, alarm changes and mails: one pipeline over a real journal, with time passed by hand."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.domain.readings import Flag, Why
from collector.store.requests import Acknowledge, Reply
from tests.worlds.by_hand import START, ByHand, rules_of
from tests.worlds.home import LAB

PASS, SUSPECT, FAIL, MISSING = int(Flag.PASS), int(Flag.SUSPECT), int(Flag.FAIL), int(Flag.MISSING)


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[ByHand]:
    by_hand = ByHand(tmp_path / "home")
    yield by_hand
    by_hand.close()


def test_a_reading_is_stored_with_its_raw_value_and_flags(lab: ByHand) -> None:
    """The first reading has no neighbour to be compared with, the second has: both pass, the raw value is beside it."""
    lab.tray(0, 21.5)
    lab.tray(1, 21.625)
    lab.commit()
    assert [row[:3] for row in lab.rows()] == [(0.0, 21.5, PASS), (1.0, 21.625, PASS)]
    assert lab.ask("SELECT raw FROM readings WHERE value = 76.0") == [(0.76,), (0.76,)]


def test_the_calibration_of_the_day_is_applied_and_stretched_ends_are_marked(tmp_path: Path) -> None:
    """Counts between the points are plain, beyond them they say so; from its date on the newer line holds."""
    newer = "- {from: 2026-03-03, points: [[1950, 60 %], [1620, 82 %]]}"
    text = LAB.replace("84 %]]}\n", f"84 %]]}}\n          {newer}\n")
    lab = ByHand(tmp_path / "home", lab_text=text)
    for at, count in (("2026-03-02T08:00:00Z", 1785), ("2026-03-02T08:01:00Z", 1600), ("2026-03-03T08:00:00Z", 1785)):
        lab.now_ms = START + 86_400_000
        lab.say("worms/maple/top", f'{{"at":"{at}","bed":{{"temperature":68,"soil":{count}}}}}')
    lab.commit()
    found = lab.rows("moisture", "maple-top")
    lab.close()
    assert [(row[0], round(float(str(row[1])), 3)) for row in found] == [(0.0, 73.0), (1.0, 85.333), (1_440.0, 71.0)]
    assert [int(str(row[3])) & Why.CALIBRATION for row in found] == [0, Why.CALIBRATION, 0]


@pytest.mark.parametrize(
    ("celsius", "value", "flag", "why"),
    [
        (-127, -127.0, MISSING, Why.SENTINEL),
        (85, 85.0, MISSING, Why.SENTINEL),
        (70, 70.0, SUSPECT, Why.RANGE_SUSPECT),
        (130, 130.0, FAIL, Why.RANGE_FAIL),
    ],
)
def test_what_the_probe_cannot_mean_is_stored_and_flagged(
    lab: ByHand, celsius: float, value: float, flag: int, why: int
) -> None:
    """Codes and values out of range are kept with their reason; only one that can be meant raises an alarm."""
    lab.tray(0, celsius)
    lab.commit()
    ((_, stored, flagged, reason),) = lab.rows()
    assert (stored, flagged) == (value, flag)
    assert int(str(reason)) & why == why
    assert bool(lab.history()) == (flag == SUSPECT)


def test_a_reading_without_a_number_is_stored_as_missing(lab: ByHand) -> None:
    """NaN becomes no value, flag 9."""
    lab.say("worms/room/air", "nan")
    lab.commit()
    assert [row[1:3] for row in lab.rows("temperature", "room-air")] == [(None, MISSING)]


def test_readings_out_of_order_within_one_look_are_put_in_order(lab: ByHand) -> None:
    """Sent 2, 0, 1: judged as 0, 1, 2, so none is late, and the alarm has the earliest hot one."""
    for minutes, celsius in ((2, 31.0), (0, 29.5), (1, 30.5)):
        lab.tray(minutes, celsius)
    lab.commit()
    assert [row[:3] for row in lab.rows()] == [(0.0, 29.5, PASS), (1.0, 30.5, PASS), (2.0, 31.0, PASS)]
    assert lab.history() == [("bedding-hot", "juniper/top", "raised", 1.0)]
    assert lab.counters() == {}


def test_a_late_reading_is_stored_marked_and_moves_nothing(lab: ByHand) -> None:
    """Older than what was judged: range-checked only, counted, no alarm raised or cleared by it."""
    lab.tray(5, 31.0)
    lab.commit()
    before = lab.history()
    lab.tray(3, 20.0)
    lab.tray(4, 60.5)
    lab.commit()
    assert [(row[0], row[2], int(str(row[3])) & Why.LATE) for row in lab.rows()] == [
        (3.0, PASS, Why.LATE),
        (4.0, SUSPECT, Why.LATE),
        (5.0, PASS, 0),
    ]
    assert lab.history() == before == [("bedding-hot", "juniper/top", "raised", 5.0)]
    assert lab.counters() == {"late": 4}


def test_of_equal_times_in_one_look_the_first_is_judged_and_kept(lab: ByHand) -> None:
    """The one that took the key is the one the alarm saw; the others are duplicates."""
    for celsius in (33.0, 20.0, 25.0):
        lab.tray(0, celsius)
    lab.commit()
    assert [row[:2] for row in lab.rows()] == [(0.0, 33.0)]
    assert lab.history() == [("bedding-hot", "juniper/top", "raised", 0.0)]
    assert lab.counters() == {"duplicates": 4, "late": 4}


def test_a_reading_sent_twice_over_two_commits_is_stored_once(lab: ByHand) -> None:
    """A redelivery falls on its key, whatever it says now."""
    lab.tray(0, 21.5)
    lab.commit()
    lab.tray(0, 33.0)
    lab.commit()
    assert [row[:2] for row in lab.rows()] == [(0.0, 21.5)]
    assert lab.history() == []
    assert lab.counters() == {"duplicates": 2, "late": 2}


def test_an_alarm_tells_each_person_once_when_raised_and_when_cleared(lab: ByHand) -> None:
    """Two mails with keys of their own; an acknowledgement between them tells nobody."""
    lab.tray(0, 30.5)
    lab.settle(0)
    assert lab.pipeline.urgent
    lab.commit()
    seen = Acknowledge(rule="bedding-hot", place="juniper/top", by="class 4b")
    assert lab.pipeline.order(seen, lab.now_ms) == Reply(True, "acknowledged")
    assert lab.pipeline.order(seen, lab.now_ms).words.endswith("acknowledged already")
    lab.tray(1, 28.9)
    lab.settle(1)
    lab.commit()
    assert [event for _, _, event, _ in lab.history()] == ["raised", "acknowledged", "cleared"]
    mails = lab.ask("SELECT recipient, channel, subject FROM outbox ORDER BY id")
    assert [mail[:2] for mail in mails] == [("teacher@quillbrook.example", "email")] * 2
    assert len(set(lab.ask("SELECT key FROM outbox"))) == 2
    assert "BACK TO NORMAL" in str(mails[1][2])


def test_a_batch_that_could_not_be_stored_is_stored_later_and_once(lab: ByHand) -> None:
    """Nothing is settled twice: what waits is committed with what comes after, in one batch."""
    lab.tray(0, 33.0)
    lab.settle(0)
    lab.tray(1, 33.1)
    lab.settle(1)
    lab.commit()
    lab.commit()
    assert len(lab.rows()) == 2
    assert len(lab.history()) == len(lab.ask("SELECT * FROM outbox")) == 1


def test_a_silent_probe_is_told_by_the_clock_and_a_reading_on_its_way_is_late(lab: ByHand) -> None:
    """Ten minutes without a reading: raised by a tick. What was measured before that moment no longer changes it."""
    lab.pipeline.link_changed(up=True, now_ms=START, text="up")
    lab.tray(0, 21.5)
    lab.commit()
    lab.pipeline.tick(START + 9 * 60_000)
    assert lab.pipeline.batch.transitions == []
    lab.pipeline.tick(START + 11 * 60_000)
    lab.now_ms = START + 11 * 60_000
    lab.commit()
    assert lab.history().count(("probe-silent", "juniper", "raised", 10.0)) == 1  # both its probes: one for the bin
    lab.tray(9, 21.5)
    lab.commit()
    assert len([one for one in lab.history() if one[2] == "cleared"]) == 0
    lab.tray(11, 21.5)
    lab.commit()
    assert len([one for one in lab.history() if one[2] == "cleared"]) == 1


def test_the_link_is_written_down(lab: ByHand) -> None:
    """Up and down are events, with when and why, and a start finds since when the link has been down."""
    lab.pipeline.link_changed(up=True, now_ms=START, text="connected")
    lab.pipeline.link_changed(up=False, now_ms=START + 1_000, text="connection lost")
    lab.commit()
    assert [event for event in lab.ask("SELECT kind, detail FROM events") if "link" in str(event[0])] == [
        ("link up", "connected"),
        ("link down", "connection lost"),
    ]
    meta = {str(name): value for name, value in lab.ask("SELECT name, value FROM meta")}
    assert (meta["link"], meta["link_ms"]) == ("down", str(START + 1_000))


def test_strangers_and_junk_are_kept_with_their_counts(lab: ByHand) -> None:
    """The same stranger twice is one row that counts two; junk has its reason; both counters stand."""
    lab.say("worms/new", '[{"n":"x","v":1}]')
    lab.now_ms += 5
    lab.say("worms/new", '[{"n":"x","v":2}]')
    lab.say("worms/room/air", "21,5")
    lab.commit()
    assert lab.ask("SELECT topic, name, first_ms, last_ms, count, sample FROM unplaced") == [
        ("worms/new", "x", START, START + 5, 2, b'[{"n":"x","v":2}]')
    ]
    ((topic, reason, first),) = lab.ask("SELECT topic, reason, first_bytes FROM rejected")
    assert (topic, first) == ("worms/room/air", b"21,5")
    assert "decimal point" in str(reason)
    assert lab.counters() == {"rejected": 1, "unplaced": 2}


def test_a_message_without_a_time_is_known_again_after_a_restart(lab: ByHand) -> None:
    """Committed, killed before it was acknowledged, delivered again: one reading."""
    lab.say("worms/room/air", "19.5", mid=7)
    lab.commit()
    lab.now_ms += 30_000
    lab.restart()
    lab.say("worms/room/air", "19.5", mid=7, again=True)
    lab.say("worms/room/air", "19.5", mid=8, again=True)
    lab.commit()
    assert len(lab.rows("temperature", "room-air")) == 2
    assert lab.counters() == {"redelivered": 1}


def test_a_message_lost_with_the_process_is_taken_when_it_comes_again(lab: ByHand) -> None:
    """Read but never committed: the redelivery is the first that counts."""
    lab.say("worms/room/air", "19.5", mid=7)
    lab.settle()
    lab.restart()
    lab.say("worms/room/air", "19.5", mid=7, again=True)
    lab.commit()
    assert len(lab.rows("temperature", "room-air")) == 1


def test_an_alarm_whose_rule_is_gone_is_closed_at_the_next_start(lab: ByHand) -> None:
    """The history says so, nothing stands any more, and no mail is sent about it."""
    lab.tray(0, 33.0)
    lab.commit()
    lab.rules = tuple(rule for rule in lab.rules if rule.name != "bedding-hot")
    lab.restart()
    lab.commit()
    assert [event for rule, _, event, _ in lab.history() if rule == "bedding-hot"] == ["raised", "rule-removed"]
    assert lab.ask("SELECT state FROM alarm_states WHERE rule = 'bedding-hot' AND state <> 'normal'") == []
    assert len(lab.ask("SELECT * FROM outbox")) == 1


def test_readings_of_a_clock_that_was_far_ahead_do_not_blind_the_alarms(lab: ByHand) -> None:
    """Stamped a year ahead while the clock was wrong, then the clock is right and the collector starts anew: the next
    hot readings are judged and told, and what was stored ahead stays stored."""
    now_ms = lab.now_ms
    lab.now_ms += 365 * 86_400_000
    lab.say("worms/room/air", "19.5")
    lab.tray(0, 21.5)
    lab.tray(365 * 1440, 22.0)
    lab.commit()
    lab.now_ms = now_ms + 60_000
    lab.restart()
    for minute in (1, 2, 3):
        lab.now_ms = now_ms + minute * 60_000
        lab.tray(minute, 29.0 + minute)
        lab.commit()
    assert ("bedding-hot", "juniper/top", "raised", 2.0) in lab.history()
    assert len(lab.rows()) == 5


APART = """\
alarms:
  bedding-heating:
    kind: deviation
    measure: bedding_temperature
    against: air_temperature at room
    setpoint: +6 degC
    on_delay: 0 s
    off_delay: 0 s
    priority: low
    consequence: Food is heating up.
    corrective_action: Feel along the feed pocket.
    time_to_respond: 12 h
    basis: made up for a test
"""


def test_a_reading_too_late_to_be_compared_is_stored_as_unseen(tmp_path: Path) -> None:
    """A bed whose clock runs ahead is judged first: the room's reading is marked, and after a restart it is
    still not compared."""
    lab = ByHand(tmp_path / "home", rules=rules_of(APART))
    lab.now_ms = START + 10 * 60_000
    lab.tray(14, 29.0)
    lab.commit()
    lab.say("worms/room/air", "20")
    lab.commit()
    lab.restart()
    lab.tray(15, 29.0)
    lab.commit()
    (stored,) = lab.rows("temperature", "room-air")
    history = lab.history()
    lab.close()
    assert int(str(stored[3])) & Why.UNSEEN
    assert history == []
