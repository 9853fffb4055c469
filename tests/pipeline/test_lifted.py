"""A probe that was lifted out of its bedding: nothing is raised on it, nobody is told that it is silent, and what was
found live is found again after a restart and in a replay."""

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.domain.readings import Flag, Why
from collector.pipeline.lifted import HEARD_MS, LASTS_MS, SETTLES_MS, Spells
from collector.pipeline.replay import replay
from collector.store.reader import Reader
from tests.pipeline.test_pipeline_restart import Happening, happenings, play, stored
from tests.pipeline.test_replay import _live, _replayed
from tests.worlds.by_hand import START, ByHand

MINUTE = 60_000
OUT = int(Why.NOT_THE_BEDDING)
HELD = [Happening("pack", 15 * MINUTE, 0, 21.5, 0.76)] * 10 + [Happening("commit", 0, 0, 0.0, 0.0)]
"""Two and a half hours in damp bedding."""


def in_damp_bedding(folder: Path) -> ByHand:
    lab = ByHand(folder)
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    for minute in range(150):
        say(lab, minute, 21.5, 0.76)
    lab.commit()
    return lab


def of_the_tray(lab: ByHand) -> list[tuple[object, ...]]:
    return [row for row in lab.history() if row[1] == "juniper/top"]


def say(lab: ByHand, minute: float, celsius: float, moisture: float) -> None:
    lab.now_ms = round(START + minute * MINUTE)
    lab.tray(minute, celsius, moisture)
    lab.settle()


def test_a_probe_on_a_sunny_table_raises_nothing_and_counts_again_when_it_is_back(tmp_path: Path) -> None:
    """Forty minutes at 12 % and 31 degC: no dry tray, no hot one, no silent probe. Back in the bedding its temperature
    counts a quarter of an hour later, when it has come to that of the bedding."""
    lab = in_damp_bedding(tmp_path / "live")
    for minute in range(150, 190):
        say(lab, minute, 31.0, 0.12)
    for minute in range(190, 215):
        say(lab, minute, 31.0, 0.76)
    lab.commit()
    lab.close()
    temperature = {minute: flag for minute, _, flag, why in lab.rows() if int(str(why)) & OUT}
    assert list(temperature) == list(range(150, 206))
    assert set(temperature.values()) == {Flag.FAIL}
    assert [minute for minute, _, _, why in lab.rows("moisture") if int(str(why)) & OUT] == list(range(150, 190))
    assert of_the_tray(lab) == [("bedding-hot", "juniper/top", "raised", 206.0)]


def test_a_dry_reading_on_the_way_out_raises_nothing(tmp_path: Path) -> None:
    """The first reading in the air may still be one that bedding could have; what it began ends with the next."""
    lab = in_damp_bedding(tmp_path / "live")
    for minute in range(150, 400):
        say(lab, minute, 21.5, max(0.66, 0.76 - (minute - 150) * 0.0005))
    say(lab, 400, 21.5, 0.59)
    for minute in range(401, 430):
        say(lab, minute, 21.5, 0.12)
    lab.pipeline.tick(lab.now_ms)
    lab.commit()
    lab.close()
    assert {row[0]: row[2] for row in lab.rows("moisture")}[400.0] != Flag.FAIL
    assert of_the_tray(lab) == []


def test_a_moisture_channel_that_broke_makes_no_tray_blind_to_heat(tmp_path: Path) -> None:
    """It reads nothing for good, in bedding that is fed: after three hours the temperature counts again."""
    lab = in_damp_bedding(tmp_path / "live")
    for minute in range(150, 360):
        say(lab, minute, 31.0, 0.06)
    lab.commit()
    lab.close()
    assert of_the_tray(lab) == [("bedding-hot", "juniper/top", "raised", 331.0)]


_LONGER = st.builds(
    Happening,
    st.sampled_from(["pack", "pack", "pack", "commit", "tick"]),
    st.sampled_from([MINUTE, 5 * MINUTE, 15 * MINUTE, 40 * MINUTE, 130 * MINUTE, 190 * MINUTE]),
    st.sampled_from([0, 0, 0, MINUTE, 5 * MINUTE]),
    st.sampled_from([21.5, 29.5, 31.0, 33.0]),
    st.sampled_from([0.76, 0.76, 0.70, 0.59, 0.50, 0.12]),
)
_TAKEN_OUT = st.one_of(happenings, st.lists(_LONGER, min_size=1, max_size=45))


@given(_TAKEN_OUT, st.sets(st.integers(0, 60), max_size=12), st.booleans())
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_replay_finds_what_was_found_live(found: list[Happening], breaks: set[int], restart: bool) -> None:
    """Readings in and out of the bedding, late and in any order, with timers, restarts and lost links."""
    with tempfile.TemporaryDirectory() as folder:
        lab = ByHand(Path(folder) / "live")
        play(lab, [*HELD, *found], breaks, restart=restart)
        assert _replayed(lab) == _live(lab)


@pytest.mark.slow
@given(_TAKEN_OUT, st.sets(st.integers(0, 60), max_size=12))
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_restarts_change_nothing(found: list[Happening], breaks: set[int]) -> None:
    """The same rows with the same reasons, however often it was stopped between two commits."""
    with tempfile.TemporaryDirectory() as folder:
        steady, stopped = ByHand(Path(folder) / "steady"), ByHand(Path(folder) / "stopped")
        play(steady, [*HELD, *found], breaks, restart=False)
        play(stopped, [*HELD, *found], breaks, restart=True)
        assert stored(stopped) == stored(steady)


def test_moisture_that_comes_after_the_temperature_it_would_speak_for_speaks_for_none(tmp_path: Path) -> None:
    """Two messages in the wrong order: what was judged stays, and the reading is marked, so that a replay knows."""
    lab = in_damp_bedding(tmp_path / "live")
    lab.now_ms += 5 * MINUTE
    pack = '[{"bn":"quillbrook:juniper-top:","bt":%d,"n":"temperature","u":"Cel","v":33.0}]'
    lab.say("worms/juniper/top", pack % (lab.now_ms // 1000))
    lab.commit()
    lab.tray(150, 33.0, 0.12)
    lab.commit()
    lab.pipeline.tick(lab.now_ms + 3_600_000)
    lab.commit()
    lab.close()
    assert lab.rows("moisture")[-1][2:] == (Flag.FAIL, int(Why.SPIKE | Why.RATE | Why.NOT_THE_BEDDING | Why.ALONE))
    assert lab.rows()[-1][2:] == (Flag.SUSPECT, int(Why.SPIKE | Why.RATE))
    assert _replayed(lab) == _live(lab)


@pytest.mark.parametrize("minute", [170, 192])
def test_a_replay_may_begin_while_the_probe_is_out_or_settles(tmp_path: Path, minute: int) -> None:
    """It knows from the readings before that this is not the bedding's temperature."""
    lab = in_damp_bedding(tmp_path / "live")
    for at in range(150, 190):
        say(lab, at, 31.0, 0.12)
    for at in range(190, 204):
        say(lab, at, 31.0, 0.76)
    lab.commit()
    lab.close()
    with Reader(lab.database) as reader:
        done = replay(reader, lab.lab, lab.rules, START + minute * MINUTE, lab.now_ms + 1)
    assert [one.key.rule for one in done.transitions if done.series[one.key.series].place == "juniper/top"] == []


def spells(*said: tuple[int, int]) -> Spells:
    """Minute and reasons of readings of moisture."""
    found = Spells()
    t_ms = np.array([minute * MINUTE for minute, _ in said], np.int64)
    why = np.array([why for _, why in said], np.uint16)
    found.remember(t_ms, np.where(why, np.uint8(Flag.FAIL), np.uint8(Flag.PASS)), why)
    return found


def covered(found: Spells, minutes: list[float]) -> list[bool]:
    return [bool(one) for one in found.cover(np.array([round(minute * MINUTE) for minute in minutes], np.int64))]


def test_how_long_a_probe_counts_as_out() -> None:
    """From the first reading out to a quarter of an hour after the first one back; two hours unheard at most."""
    settles, heard, lasts = (ms / MINUTE for ms in (SETTLES_MS, HEARD_MS, LASTS_MS))
    back = spells((0, 0), (10, OUT), (40, OUT), (50, 0))
    assert covered(back, [9, 10, 45, 50 + settles, 51 + settles]) == [False, True, True, True, False]
    assert covered(spells((10, OUT)), [10 + heard, 11 + heard]) == [True, False]
    again = spells((10, OUT), (140, OUT))
    assert covered(again, [130, 131, 140]) == [True, False, True]
    for_days = spells(*((minute, OUT) for minute in range(0, 600, 15)))
    assert covered(for_days, [lasts, lasts + 1]) == [True, False]


def test_a_channel_that_flickers_makes_no_tray_blind_for_longer() -> None:
    """In and out again within a quarter of an hour it was never back, so its three hours go on."""
    flickers = spells(*((minute, OUT if minute % 10 < 5 else 0) for minute in range(600)))
    assert len(flickers.found) == 1
    assert covered(flickers, [0, 179, 181, 599]) == [True, True, False, False]


def test_what_was_long_ago_is_forgotten() -> None:
    """A probe lifted out every day for months takes no more memory than one of this week."""
    daily = Spells()
    for day in range(60):
        at = np.array([day * 1440 * MINUTE, (day * 1440 + 30) * MINUTE], np.int64)
        daily.remember(at, np.array([Flag.FAIL, Flag.PASS], np.uint8), np.array([OUT, 0], np.uint16))
    assert len(daily.found) == 2
