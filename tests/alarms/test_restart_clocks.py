"""A restart brings back the clock of every series, whatever moved it on: what was late before is late after."""

import pytest

from collector.alarms.model import AlarmKey
from tests.alarms.bench_lab import MIN, SILENT, rule
from tests.alarms.world import World
from tests.alarms.world_lab import MT_MOISTURE, MT_TEMPERATURE

QUIET = rule(SILENT, setpoint=4.0 * MIN, on_delay_ms=0, off_delay_ms=0)


@pytest.mark.parametrize("restart", [False, True], ids=["running on", "after a restart"])
def test_the_first_word_of_a_channel_that_waited_for_its_probe_moves_the_clocks_for_good(restart: bool) -> None:
    """The probe speaks again with one channel; the first word of the other, long due, decides for both. What the first
    channel measured before that moment and sent after it is late, and the channel's silence is told as it was."""
    world = World((QUIET,))
    world.say(MT_TEMPERATURE, 17 * MIN, 20.0)
    world.say(MT_MOISTURE, 20 * MIN, 50.0)
    if restart:
        world.restart()
    assert world.engine.clock_ms(MT_TEMPERATURE) == 20 * MIN
    world.say(MT_TEMPERATURE, 20 * MIN - 1_000, 20.0)
    world.tick(23 * MIN)
    assert world.rows[MT_TEMPERATURE] == [(17 * MIN, 20.0, 1, False)]
    silence = world.engine.states()[AlarmKey(QUIET.name, MT_TEMPERATURE)]
    assert (silence.active, silence.since_ms, silence.raised_ms) == (True, 17 * MIN, 21 * MIN)
