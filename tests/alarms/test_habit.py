"""How long each probe is usually silent: a weak radio calls nobody, a sound one is missed soon, a brewer at once."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.kinds.habit import HOUR_MS, Gap, Habit
from collector.alarms.model import Rule
from tests.alarms.bench_lab import MIN, SILENT, rule
from tests.alarms.world import World
from tests.alarms.world_lab import JT2_MOISTURE, JT_MOISTURE, JT_TEMPERATURE, SERIES
from tests.worlds import values
from tests.worlds.values import KETTLE, ROOM, probe

DAY_MS = 24 * HOUR_MS
USUAL = rule(SILENT, setpoint=30.0 * MIN, at_most_ms=6 * HOUR_MS)
WEAK = [0, 15, 30, 90, 105, 165, 180, 195, 240]
"""Minutes of a radio that was away for an hour twice within four."""


def habit(minutes: list[int], least: int = 30 * MIN, most: int = 6 * HOUR_MS) -> Habit:
    made = Habit(least, most, None)
    made.note(np.array(minutes, np.int64) * MIN)
    return made


def test_the_second_longest_gap_three_times_over() -> None:
    """Two gaps of an hour are a habit of three; counted from the next hour on."""
    made = habit(WEAK)
    assert made.reach_ms(165 * MIN) == 30 * MIN
    assert made.reach_ms(240 * MIN) == 180 * MIN


def test_one_outage_teaches_nothing() -> None:
    """A day without power, once in a fortnight, makes nobody blind."""
    made = habit([*range(60), *range(1440, 1560)])
    assert made.reach_ms(1600 * MIN) == 30 * MIN


def test_it_has_a_floor_and_a_ceiling() -> None:
    """Never sooner than the rule says, never later than it allows; nor is a ceiling below the floor heeded."""
    assert habit(list(range(300))).reach_ms(400 * MIN) == 30 * MIN
    assert habit([0, 300, 600, 900]).reach_ms(1000 * MIN) == 360 * MIN
    assert habit([0, 300, 600, 900], least=7 * HOUR_MS).reach_ms(1000 * MIN) == 7 * HOUR_MS


def test_a_fortnight_later_it_is_forgotten() -> None:
    """A radio that was moved to a better place is soon missed again."""
    made = habit(WEAK)
    assert made.reach_ms(14 * DAY_MS) == 180 * MIN
    assert made.reach_ms(14 * DAY_MS + 6 * HOUR_MS) == 30 * MIN


def test_little_is_kept_however_weak_the_radio() -> None:
    """Three weeks of gaps of 20 minutes to an hour: some only, as smaller ones before two larger do not matter."""
    random = np.random.default_rng(5)
    made = habit(np.cumsum(random.integers(20, 60, 700)).tolist())
    assert len(made.gaps) < 40
    assert min(one.hour for one in made.gaps) >= made.gaps[-1].hour - 14 * 24


@given(st.lists(st.sampled_from([1, 5, 11, 20, 45, 90, 400]), min_size=2, max_size=60), st.integers(1, 59))
@settings(max_examples=40)
def test_what_is_kept_gives_what_all_gaps_would(steps: list[int], size: int) -> None:
    """In chunks of any size, and made anew from what is kept: as if none had been let go."""
    times = np.cumsum(np.array(steps, np.int64)) * MIN
    made = Habit(30 * MIN, 6 * HOUR_MS, None)
    for start in range(0, times.size, size):
        made = Habit(30 * MIN, 6 * HOUR_MS, made.last_ms, made.gaps)
        made.note(times[start : start + size])
    last_ms = int(times[-1])
    for at_ms in (last_ms, last_ms + HOUR_MS):
        hour = at_ms // HOUR_MS
        gaps = sorted(gap for gap, end in zip(np.diff(times), times[1:], strict=True) if end // HOUR_MS < hour)
        second = 0 if len(gaps) < 2 else int(gaps[-2])
        assert made.reach_ms(at_ms) == min(max(3 * second, 30 * MIN), 6 * HOUR_MS)


# ---- alarms ------------------------------------------------------------------------------------------------------


def alone(rule_: Rule, *numbers: int) -> World:
    """One or some series of the lab."""
    return World((rule_,), series=[one for one in SERIES if one.id in numbers])


def hear(world: World, minutes: list[int], *numbers: int) -> None:
    for minute in minutes:
        world.tick(minute * MIN - 1)
        world.read({number: [(minute * MIN, 70.0, 1)] for number in numbers})


@pytest.mark.parametrize("restart", [False, True])
def test_a_weak_radio_calls_nobody_once_it_is_known(restart: bool) -> None:
    """Its first long gaps are told, as nothing is known yet; those of the same length later are not; one that is much
    longer is."""
    world = alone(USUAL, JT_MOISTURE)
    hear(world, WEAK, JT_MOISTURE)
    before = len(world.calls())
    assert before == 2
    if restart:
        world.restart()
    hear(world, [300, 390, 480, 600], JT_MOISTURE)
    assert len(world.calls()) == before
    world.tick(1200 * MIN)
    assert world.calls()[before:] == ["870 @juniper/top"]


def test_a_rule_without_a_ceiling_learns_nothing() -> None:
    """The setpoint is what it says."""
    world = alone(rule(USUAL, at_most_ms=0), JT_MOISTURE)
    hear(world, [*WEAK, 300, 390], JT_MOISTURE)
    assert len(world.calls()) == 5


def test_an_hourly_probe_that_says_so_is_given_three_of_its_intervals() -> None:
    """`every: 1 h` in lab.yaml: no alarm between two readings; one after three hours."""
    lab = values.lab(places=(ROOM,), probes=(probe("air", "room", values.AIR, every_ms=HOUR_MS),))
    world = World(
        (USUAL,), lab=lab, series=[values.series(1, place="room", measure="air_temperature", probe="air", channel="t")]
    )
    hear(world, list(range(0, 600, 60)), 1)
    world.tick(1200 * MIN)
    assert world.calls() == ["720 @room"]


def test_nothing_is_usual_at_a_brewer() -> None:
    """Tea is without air within minutes, so a weak radio there is told each time."""
    lab = values.lab(places=(ROOM, KETTLE), probes=(probe("kt", "kettle", values.TEMPERATURE),))
    world = World((USUAL,), lab=lab, series=[values.series(1, place="kettle", measure="tea_temperature", probe="kt")])
    hear(world, [*WEAK, 300, 390], 1)
    assert len(world.calls()) == 5


def test_of_a_bin_the_probe_decides_that_is_missed_soonest() -> None:
    """A weak one and a sound one in one bin: when both are gone the bin is told after half an hour, not after three;
    and when the sound one has been silent for days, what is usual for the weak one holds."""
    world = World((USUAL,), series=[one for one in SERIES if one.id in (JT_MOISTURE, JT2_MOISTURE) or not one.measure])
    sound = list(range(0, 301))
    for minute in sound:
        world.tick(minute * MIN - 1)
        world.read(
            {JT2_MOISTURE: [(minute * MIN, 70.0, 1)]}
            | ({JT_MOISTURE: [(minute * MIN, 70.0, 1)]} if minute in (*WEAK, 300) else {})
        )
    before = len(world.calls())
    world.tick(600 * MIN)
    assert [call.partition(" ")[0] for call in world.calls()[before:]] == ["330"]


def test_what_is_known_is_kept_when_it_changes() -> None:
    """Written once, with the readings that taught it."""
    world = alone(USUAL, JT_MOISTURE, JT_TEMPERATURE)
    hear(world, list(range(30)), JT_MOISTURE, JT_TEMPERATURE)
    assert world.engine.changed_habits() is None
    hear(world, [90, 150], JT_MOISTURE, JT_TEMPERATURE)
    found = world.engine.changed_habits()
    assert found is not None
    assert set(found.values()) == {(Gap(1, 61 * MIN), Gap(2, 60 * MIN))}
    assert world.engine.changed_habits() is None
