"""First cause: of things that fall silent together one alarm calls, and what it stood for comes back by itself."""

import pytest

from collector.alarms.model import Event, State
from collector.domain.lab import SeriesKey
from tests.alarms.bench_lab import BROKER, MIN, SILENT, rule
from tests.alarms.world import Row, World
from tests.alarms.world_lab import (
    AIR,
    BIN_JUNIPER,
    JB_TEMPERATURE,
    JT2_MOISTURE,
    JT2_TEMPERATURE,
    JT_MOISTURE,
    JT_TEMPERATURE,
    MT_MOISTURE,
    MT_TEMPERATURE,
    NUMBER,
    PROBE_JT,
)

JT, JT2, JB = (JT_TEMPERATURE, JT_MOISTURE), (JT2_TEMPERATURE, JT2_MOISTURE), (JB_TEMPERATURE,)
JUNIPER = (*JT, *JT2, *JB)
OTHERS = (MT_TEMPERATURE, MT_MOISTURE, AIR)
QUIET = rule(SILENT, off_delay_ms=5 * MIN)
PROBE_MT = NUMBER[SeriesKey(probe="mt", channel="", measure="", place="maple/top")]


def speak(world: World, series: tuple[int, ...], start: int, end: int) -> None:
    """Each series says something each minute from one minute on, before another; each some seconds after the last."""
    for minute in range(start, end):
        batch: dict[int, list[Row]] = {n: [(minute * MIN + 1_000 * n, 20.0, 1)] for n in series}
        world.read(batch)
        world.tick(minute * MIN)


def all_but(*silent: int) -> tuple[int, ...]:
    return tuple(n for n in (*JUNIPER, *OTHERS) if n not in silent)


def called(world: World) -> list[tuple[int, int]]:
    """(series, whole minute) of each call to people."""
    return [(one.key.series, one.t_ms // MIN) for one in world.told if one.annunciates]


@pytest.mark.parametrize(
    ("silent", "speaks"),
    [
        ((JT_MOISTURE,), [JT_MOISTURE]),
        (JT, [PROBE_JT]),
        (JB, [JB_TEMPERATURE]),
        ((*JT, *JB), [PROBE_JT, JB_TEMPERATURE]),
        (JUNIPER, [BIN_JUNIPER]),
        ((MT_TEMPERATURE, MT_MOISTURE), [PROBE_MT]),
        ((*JUNIPER, MT_MOISTURE), [BIN_JUNIPER, MT_MOISTURE]),
    ],
    ids=[
        "a channel",
        "a probe",
        "a probe with one channel",
        "two probes of three",
        "a bin",
        "all of a bin of one",
        "two",
    ],
)
def test_one_alarm_for_what_falls_silent_together(silent: tuple[int, ...], speaks: list[int]) -> None:
    """Half an hour after the last reading, one call for each thing that went, though nothing went at one second."""
    world = World((QUIET,))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(*silent), 10, 60)
    assert sorted(called(world)) == sorted((number, 39) for number in speaks)


def test_a_channel_that_was_silent_before_its_probe_is_absorbed_and_comes_back() -> None:
    """Moisture goes first and is told for itself; then the whole probe: one alarm stands, the other is suppressed with
    the cause named; the probe is back, the moisture still is not: it is told again."""
    world = World((QUIET,))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(JT_MOISTURE), 10, 60)
    speak(world, all_but(*JT), 60, 100)
    assert called(world) == [(JT_MOISTURE, 39), (PROBE_JT, 89)]
    absorbed = world.state("probe-silent", JT_MOISTURE)
    assert (absorbed.state, absorbed.cause) == (State.SUPPRESSED, "probe-silent at juniper/top")
    (change,) = [one for one in world.told if one.event is Event.SUPPRESSED]
    assert (change.note, change.key.series) == ("probe-silent at juniper/top", JT_MOISTURE)
    speak(world, all_but(JT_MOISTURE), 100, 120)
    assert called(world)[2:] == [(JT_MOISTURE, 105)]
    assert world.state("probe-silent", PROBE_JT).active is False


def test_what_comes_back_with_its_cause_is_not_told() -> None:
    """A bin goes and comes back whole within two reporting intervals: one call, and nothing else ever."""
    world = World((rule(SILENT, off_delay_ms=0),))
    speak(world, all_but(), 0, 10)
    speak(world, OTHERS, 10, 60)
    speak(world, (*JT, *OTHERS), 60, 61)
    speak(world, all_but(), 61, 120)
    assert called(world) == [(BIN_JUNIPER, 39)]
    assert [one.event for one in world.told] == [Event.RAISED, Event.CLEARED]


def test_a_probe_that_stays_away_when_its_bin_is_back_speaks_for_itself() -> None:
    """The power strip is on again but one probe stays dark: told once the bin's own alarm has cleared."""
    world = World((QUIET,))
    speak(world, all_but(), 0, 10)
    speak(world, OTHERS, 10, 60)
    speak(world, all_but(*JT), 60, 120)
    assert called(world) == [(BIN_JUNIPER, 39), (PROBE_JT, 65)]


def test_while_the_link_is_down_only_broker_lost_stands() -> None:
    """A silence from before is suppressed while the broker is away and comes back if it lasts its own time again."""
    world = World((QUIET, rule(BROKER, off_delay_ms=2 * MIN)))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(*JB), 10, 60)
    assert called(world) == [(JB_TEMPERATURE, 39)]
    world.set_link(False, 60 * MIN)
    world.tick(90 * MIN)
    standing = [key.rule for key, state in world.engine.states().items() if state.state is State.UNACKNOWLEDGED]
    assert standing == ["broker-lost"]
    assert world.state("probe-silent", JB_TEMPERATURE).cause == "broker-lost at broker"
    world.set_link(True, 100 * MIN)
    speak(world, all_but(*JB), 100, 150)
    assert called(world)[1:] == [(0, 70), (JB_TEMPERATURE, 130)]


def test_a_probe_heard_again_after_the_link_is_normal_without_a_word() -> None:
    """What was suppressed by the broker and speaks again goes back to normal."""
    world = World((QUIET, rule(BROKER, off_delay_ms=2 * MIN)))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(*JB), 10, 60)
    world.set_link(False, 60 * MIN)
    world.tick(90 * MIN)
    world.set_link(True, 100 * MIN)
    speak(world, all_but(), 100, 150)
    assert called(world) == [(JB_TEMPERATURE, 39), (0, 70)]
    assert world.state("probe-silent", JB_TEMPERATURE).state is State.NORMAL


def test_restarts_in_the_middle_change_nothing() -> None:
    """A channel, then its probe, then its bin, then back, with a restart after every step."""
    steady, stopped = World((QUIET,)), World((QUIET,))
    steps = ((all_but(), 10), (all_but(JT_MOISTURE), 50), (all_but(*JT), 90), (OTHERS, 140), (all_but(*JT), 180))
    for world in (steady, stopped):
        start = 0
        for series, end in (*steps, (all_but(JT_MOISTURE), 240), (all_but(), 260)):
            for minute in range(start, end, 5):
                speak(world, series, minute, min(minute + 5, end))
                if world is stopped:
                    world.restart()
            start = end
    assert steady.told == stopped.told
    assert steady.engine.states() == stopped.engine.states()
    assert [number for number, _ in called(steady)] == [JT_MOISTURE, PROBE_JT, BIN_JUNIPER, PROBE_JT, JT_MOISTURE]


def test_a_replay_finds_the_same_first_causes() -> None:
    """From the kept rows in one chunk, without a tick in between."""
    world = World((QUIET,))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(JT_MOISTURE), 10, 60)
    speak(world, OTHERS, 60, 110)
    speak(world, all_but(*JT), 110, 160)
    world.tick(160 * MIN)
    again = [one for one in world.replay([]) if one.t_ms <= 160 * MIN]
    assert again == world.in_order()


def test_a_silence_that_waited_for_its_probe_is_told_at_the_first_word_of_its_neighbour() -> None:
    """The probe is back with its temperature at 20 min; moisture has two intervals, and at 22 min the neighbour is not
    known to be alive. It is told at the neighbour's next word, and not at the last of those that came together."""
    world = World((rule(SILENT, setpoint=4.0 * MIN),))
    world.say(MT_TEMPERATURE, 20 * MIN, 20.0)
    world.say(MT_TEMPERATURE, 22 * MIN + 1, 20.0, flag=4)
    world.read({MT_TEMPERATURE: [(22 * MIN + 2, 20.0, 1), (22 * MIN + 3, 20.0, 1)]})
    world.tick(23 * MIN)
    (told,) = [one for one in world.told if one.key.series == MT_MOISTURE]
    assert (told.event, told.t_ms) == (Event.RAISED, 22 * MIN + 2)
    assert [one for one in world.replay([]) if one.t_ms <= 23 * MIN] == world.in_order()


def test_a_late_word_of_a_neighbour_does_not_raise_what_has_spoken_since() -> None:
    """Moisture is silent and so is its neighbour, so it waits; then it speaks. What the neighbour said a second before
    comes after that: late, so that a replay, which sees it in time, tells the same."""
    world = World((rule(SILENT, setpoint=4.0 * MIN),))
    world.read({MT_TEMPERATURE: [(20 * MIN, 20.0, 1)], MT_MOISTURE: [(17 * MIN, 70.0, 1)]})
    world.say(MT_MOISTURE, 20 * MIN - 1_000, 70.0)
    world.tick(21 * MIN)
    assert [row[0] for row in world.rows[MT_MOISTURE]] == [17 * MIN]
    assert [one for one in world.replay([]) if one.t_ms <= 21 * MIN] == world.in_order()


def test_without_numbers_for_probes_and_bins_each_series_speaks() -> None:
    """An engine that is given none (a trial of one alarm) has no groups."""
    world = World((QUIET,), series=[one for one in World((QUIET,)).series if one.measure])
    speak(world, all_but(), 0, 10)
    speak(world, OTHERS, 10, 60)
    assert sorted(number for number, _ in called(world)) == sorted(JUNIPER)


def test_what_speaks_again_before_the_link_does_is_normal_when_the_link_is_back() -> None:
    """Readings that still come while the link is down end the silence, but the broker's alarm goes on to stand for it;
    with the link back nothing is left, and nobody is called."""
    world = World((QUIET, rule(BROKER, off_delay_ms=2 * MIN)))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(*JB), 10, 60)
    world.set_link(False, 60 * MIN)
    world.tick(75 * MIN)
    speak(world, all_but(), 75, 85)
    held = world.state("probe-silent", JB_TEMPERATURE)
    assert (held.state, held.active, held.cause) == (State.SUPPRESSED, False, "broker-lost at broker")
    world.set_link(True, 90 * MIN)
    speak(world, all_but(), 90, 100)
    back = world.state("probe-silent", JB_TEMPERATURE)
    assert (back.state, back.cause) == (State.NORMAL, "")
    assert called(world) == [(JB_TEMPERATURE, 39), (0, 70)]


def test_two_alarms_about_the_link_are_both_told() -> None:
    """A second level with a time of its own: readings that come late pass the one timer, then the other."""
    world = World((QUIET, BROKER, rule(BROKER, name="broker-long-lost", setpoint=20.0 * MIN)))
    world.set_link(False, 5 * MIN)
    assert world.engine.link.up is False
    world.read({AIR: [(minute * MIN, 20.0, 1) for minute in (10, 20, 40)]})
    assert [(one.key.rule, one.t_ms // MIN) for one in world.told] == [("broker-lost", 15), ("broker-long-lost", 25)]


def test_a_shelved_silence_comes_back_by_itself() -> None:
    """Shelved for ten minutes while the bin is silent: called again when they are over, and no clock has moved."""
    world = World((QUIET,))
    speak(world, all_but(), 0, 10)
    speak(world, OTHERS, 10, 50)
    told, problem = world.engine.shelve("probe-silent", "juniper", 60 * MIN, "plug being mended", "teacher", 50 * MIN)
    assert (problem, [one.event for one in told]) == (None, [Event.SHELVED])
    before = world.engine.clock_ms(JT_TEMPERATURE)
    world.tick(60 * MIN)
    assert called(world) == [(BIN_JUNIPER, 39), (BIN_JUNIPER, 60)]
    assert world.engine.clock_ms(JT_TEMPERATURE) == before


def test_a_silence_that_ended_below_its_cause_is_normal_once_that_ends() -> None:
    """Moisture is heard again and waits its long off-delay when quicker rules are loaded: its probe is silent by them
    at once and stands for it; it ends below the probe, and is normal when the probe speaks again."""
    world = World((rule(SILENT, off_delay_ms=25 * MIN),))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(JT_MOISTURE), 10, 50)
    speak(world, all_but(), 50, 51)
    world.rules = (rule(SILENT, setpoint=5.0 * MIN, off_delay_ms=2 * MIN),)
    world.restart()
    speak(world, all_but(*JT), 51, 80)
    assert called(world) == [(JT_MOISTURE, 39), (PROBE_JT, 55)]
    below = world.state("probe-silent", JT_MOISTURE)
    assert (below.state, below.active, below.cause) == (State.SUPPRESSED, False, "probe-silent at juniper/top")
    speak(world, all_but(), 80, 90)
    back = world.state("probe-silent", JT_MOISTURE)
    assert (back.state, back.cause) == (State.NORMAL, "")
    assert called(world)[2:] == []


@pytest.mark.parametrize("broker_first", [True, False])
def test_a_restart_while_the_broker_is_lost_leaves_what_it_stands_for(broker_first: bool) -> None:
    """In whatever order the rules stand: still suppressed by it when the tray is heard after the start, normal when the
    link is back, and nobody is called again."""
    lost = rule(BROKER, off_delay_ms=2 * MIN)
    world = World((lost, QUIET) if broker_first else (QUIET, lost))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(*JB), 10, 60)
    world.set_link(False, 60 * MIN)
    world.tick(75 * MIN)
    world.restart()
    speak(world, all_but(), 75, 85)
    held = world.state("probe-silent", JB_TEMPERATURE)
    assert (held.state, held.active, held.cause) == (State.SUPPRESSED, False, "broker-lost at broker")
    world.set_link(True, 90 * MIN)
    speak(world, all_but(), 90, 100)
    assert world.state("probe-silent", JB_TEMPERATURE).state is State.NORMAL
    assert called(world) == [(JB_TEMPERATURE, 39), (0, 70)]
