"""A probe whose clock runs ahead says nothing of the time to come: not of its neighbours, and not of the link."""

import pytest

from collector.alarms.model import Event
from tests.alarms.bench_lab import MIN, SILENT, rule
from tests.alarms.test_first_cause import OTHERS, QUIET, all_but, speak
from tests.alarms.world import World
from tests.alarms.world_lab import BIN_JUNIPER, JT2_MOISTURE, JT2_TEMPERATURE, JT_MOISTURE, JT_TEMPERATURE, PROBE_JT

AHEAD_MS = 4 * MIN
NEAR = (JT2_TEMPERATURE, JT2_MOISTURE)
JT = (JT_TEMPERATURE, JT_MOISTURE)
REACH_MIN = round(SILENT.setpoint) // MIN


def say_ahead(world: World, series: tuple[int, ...], now_ms: int) -> None:
    world.read({n: [(now_ms + AHEAD_MS + n, 20.0, 1)] for n in series}, now_ms)


def heard_all(world: World) -> list[tuple[int, str, int]]:
    """(series, event, minute) of what was told, in its order."""
    told = [one for one in world.told if one.event in (Event.RAISED, Event.CLEARED)]
    return sorted((one.key.series, str(one.event), one.t_ms // MIN) for one in told)


@pytest.mark.parametrize("started_anew", [False, True])
def test_a_link_lost_in_the_time_a_clock_is_ahead(started_anew: bool) -> None:
    """Two minutes before a probe has been silent for long enough its neighbour sends from four minutes ahead, and then
    the link goes and comes: the silence counts from there, live, after a start and in the replay."""
    world = World((SILENT,))
    speak(world, all_but(), 0, 10)
    speak(world, all_but(*JT), 10, REACH_MIN + 8)
    now_ms = (REACH_MIN + 8) * MIN
    say_ahead(world, NEAR, now_ms - MIN)
    say_ahead(world, NEAR, now_ms)
    if started_anew:
        world.set_link(False, now_ms + 1)
        world.restart(now_ms + 1)
    else:
        world.set_link(False, now_ms + 1)
    world.set_link(True, now_ms + 2)
    speak(world, (*OTHERS, all_but()[-1]), REACH_MIN + 9, REACH_MIN + 12)
    assert heard_all(world) == []
    world.tick(now_ms + 2 * AHEAD_MS)
    assert heard_all(world) == []


def test_the_sign_of_life_of_a_clock_ahead_counts_when_its_time_has_come() -> None:
    """A probe is silent and told; it comes back with a clock four minutes ahead. The alarm ends by that clock, also
    where the collector was started anew in between, before or after the time has come."""
    ends = {}
    for name, start_ms in (("never", 0), ("before", MIN), ("after", AHEAD_MS + MIN)):
        world = World((rule(QUIET, off_delay_ms=MIN),))
        speak(world, all_but(), 0, 10)
        speak(world, all_but(*JT), 10, REACH_MIN + 20)
        assert [one for one in heard_all(world) if one[1] == "raised"] == [(PROBE_JT, "raised", REACH_MIN + 9)]
        now_ms = (REACH_MIN + 20) * MIN
        say_ahead(world, JT, now_ms)
        if start_ms:
            world.restart(now_ms + start_ms)
        world.tick(now_ms + AHEAD_MS)
        assert len(heard_all(world)) == 1
        world.tick(now_ms + AHEAD_MS + 3 * MIN)
        ends[name] = heard_all(world)[0]
    assert ends == dict.fromkeys(ends, (PROBE_JT, "cleared", REACH_MIN + 20 + AHEAD_MS // MIN + 1))


def test_a_first_reading_from_a_clock_ahead() -> None:
    """All that a probe ever said is stamped after the start: it counts as heard when that time has come."""
    world = World((SILENT,))
    say_ahead(world, JT, MIN)
    world.restart(2 * MIN)
    world.tick(AHEAD_MS + 2 * MIN)
    world.tick((REACH_MIN + 3) * MIN)
    assert BIN_JUNIPER not in {number for number, *_ in heard_all(world)}
    world.tick((REACH_MIN + 6) * MIN)
    late = [one.since_ms for one in world.told if one.event is Event.RAISED and one.key.series == BIN_JUNIPER]
    assert late == [MIN + AHEAD_MS + JT_MOISTURE]
