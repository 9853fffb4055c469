"""Bounds on what one series, one turn and one waiting batch may hold, each at its edge."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.readings import Why
from collector.intake.allowance import CHANGES, READINGS, Allowance, Allowances
from collector.intake.inbox import ENOUGH_BYTES
from collector.store.batch import REJECTED_KEPT, UNPLACED_KEPT, Batch, RejectedRow, Unplaced
from tests.intake.small_lab import NOW, Room
from tests.worlds.by_hand import START, ByHand

TOPIC = "worms/juniper/top"


def crowd(first: int, number: int) -> str:
    """A pack of so many readings, each with a time of its own."""
    records = ",".join(f'{{"n":"temperature","v":21.5,"t":{n}}}' for n in range(number))
    return f'[{{"bt":{NOW // 1000 - 1_000_000 + first},{records[1:]}]'


def test_an_honest_backlog_passes_whole() -> None:
    """Four weeks at one reading a minute, all at once."""
    room = Room()
    for day in range(28):
        room.say(TOPIC, crowd(day * 1_440, 1_440))
    assert len(room.take()["juniper-top.temperature"]) == 40_320
    assert room.reasons == []


def test_a_flood_of_good_readings_is_cut_and_said() -> None:
    """A channel brings 100,000 at once and two a second from then on; the others of the lab are not touched by it."""
    room = Room()
    for number in range(21):
        room.say(TOPIC, crowd(number * 5_000, 5_000))
    room.say("worms/kettle/pump", "on")
    taken = room.take()
    assert len(taken["juniper-top.temperature"]) == READINGS.at_once
    assert len(taken["kettle-pump.pump"]) == 1
    assert room.intake.counts == {"too_many": 5_000}
    (oddity,) = room.intake.oddities
    assert oddity.topic == TOPIC
    assert "5000 not kept; is the probe broken?" in oddity.reason
    room.say(TOPIC, crowd(200_000, 50), NOW + 10_000)
    assert len(room.take()["juniper-top.temperature"]) == 20


def test_nothing_is_left_of_a_series_whose_allowance_is_spent() -> None:
    """Not even an empty column."""
    room = Room()
    for number in range(20):
        room.say(TOPIC, crowd(number * 5_000, 5_000))
    room.take()
    room.say(TOPIC, crowd(0, 1))
    assert room.take() == {}


def test_a_turn_ends_after_a_megabyte() -> None:
    """One message may hold 5,000 readings, so messages are no bound; what is read is judged before more is."""
    room = Room()
    for _ in range(ENOUGH_BYTES // 1_000 + 1):
        assert not room.intake.full
        room.say("worms/juniper/top", b"x" * 1_000)
    assert room.intake.full
    room.take()
    assert not room.intake.full


def test_long_topics_are_neither_remembered_nor_kept() -> None:
    """MQTT allows 65,535 bytes: of a refused message 200 characters are kept, and nothing of the topic is looked up by
    it again."""
    room = Room()
    for number in range(3):
        topic = f"worms/{number}/" + "x" * 60_000
        room.say(topic, b"junk")
        room.placing.routes(topic)
    assert {len(one.topic) for one in room.intake.oddities} == {200}
    assert room.placing.remembered == 1  # that nobody claims them, once


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(-5_000, 50_000)), max_size=30))
def test_an_allowance_never_gives_more_than_it_says(steps: list[tuple[int, int]]) -> None:
    """Whatever the clock does: what is given stays within what was there at first and what time has added since."""
    allowances, now_ms, forward_ms, given = Allowances(Allowance(10, 0.5)), NOW, 0, 0
    for wanted, step_ms in steps:
        now_ms += step_ms
        forward_ms += max(0, step_ms)
        got = min(wanted, max(0, allowances.left(7, now_ms)))
        allowances.spend(7, got, now_ms)
        given += got
    assert given <= 10 + forward_ms / 1000 * 0.5


def test_what_was_overspent_is_paid_back() -> None:
    """Changes of alarms come many at once: 2,060 of them leave nothing for an hour."""
    allowances = Allowances(CHANGES)
    allowances.spend(1, 2_060, NOW)
    assert allowances.left(1, NOW + 3_600_000) <= 0
    assert allowances.left(1, NOW + 3_720_000) == 2
    assert allowances.left(2, NOW) == 2_000


def test_a_batch_that_waits_for_a_full_disk_stays_small() -> None:
    """Of what nobody claims or can read it holds the newest, no more than the journal would keep."""
    batch = Batch()
    for number in range(1_000):
        batch.rejected.append(RejectedRow(t_ms=NOW + number, topic="t", reason="r", first_bytes=b""))
        batch.unplaced["t", str(number)] = Unplaced(first_ms=NOW, last_ms=NOW + number, count=1, sample=b"")
    batch.forget_oldest()
    assert (len(batch.rejected), len(batch.unplaced)) == (REJECTED_KEPT, UNPLACED_KEPT)
    assert batch.rejected[0].t_ms == NOW + 500
    assert next(iter(batch.unplaced)) == ("t", "500")


@pytest.mark.slow
def test_readings_of_a_series_that_raves_are_kept_and_not_judged(tmp_path: Path) -> None:
    """After 2,000 alarm changes of one channel its readings are stored as late, which replay leaves out too; another
    channel of the lab goes on being judged, and after a while the first is judged again."""
    lab = ByHand(tmp_path / "home")
    lab.now_ms = START + 3_300 * 60_000
    for first in range(0, 3_200, 400):
        for minute in range(first, first + 400):
            lab.tray(minute, 30.25 if minute % 2 else 28.75)
        lab.commit()
    changes = len([one for one in lab.history() if one[0] == "bedding-hot"])
    late = [bool(int(str(why)) & Why.LATE) for _, _, _, why in lab.rows()]
    assert changes == 2_399
    assert (len(late), late.count(True)) == (3_200, 800)
    ((detail,),) = lab.ask("SELECT detail FROM events WHERE kind = 'too many alarm changes'")
    assert detail == "juniper-top temperature at juniper/top: its readings are kept and not judged for now"
    lab.say("worms/maple/top", f'{{"at":{lab.now_ms // 1000},"bed":{{"temperature":90}}}}')
    lab.commit()
    assert lab.history()[-1][1] == "maple/top"
    lab.now_ms += 401 * 60_000
    lab.tray(lab.now_ms / 60_000 - START / 60_000, 21.0)
    lab.commit()
    assert not int(str(lab.rows()[-1][3])) & Why.LATE
    lab.close()
