"""A probe out of its bedding: what was about to be raised is not, it is heard all the same, and one rule counts it."""

import pytest

from collector.alarms.chunk import SMALL
from collector.alarms.model import Rule
from collector.domain.readings import Flag
from tests.alarms.bench_lab import MIN, SILENT, rule
from tests.alarms.world import DRY, FALLING, LIFTED, SUSPECT, Row, World
from tests.alarms.world_lab import JT_MOISTURE, JT_TEMPERATURE, SERIES

SIZES = (1, SMALL, 2 * SMALL)
"""Readings in a chunk: looked at one by one, or by arrays where there are more."""


def bed(values: list[float], start: int = 0) -> list[Row]:
    """One a minute."""
    return [(minute * MIN, value, int(Flag.PASS)) for minute, value in enumerate(values, start)]


def air(minutes: int, start: int) -> list[Row]:
    return [(minute * MIN, 60.0, int(Flag.FAIL)) for minute in range(start, start + minutes)]


def hear(world: World, rows: list[Row], size: int) -> None:
    for start in range(0, len(rows), size):
        world.read({JT_MOISTURE: rows[start : start + size]})
    world.tick(rows[-1][0] + 9 * MIN)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("one", [DRY, FALLING], ids=lambda one: one.name)
def test_what_began_on_the_way_out_ends_with_it(one: Rule, size: int) -> None:
    """A dry reading while somebody pulls the cable, then air: neither dry nor falling is told, though nothing damp came
    until the delay was over. In bedding that stays so the same reading is told when its delay is over."""
    pulled = bed([70.0] * 20 + [62.0])
    for then, told in ((air(20, 21), []), (bed([62.0] * 20, 21), ["25 @juniper/top"])):
        world = World((rule(one, on_delay_ms=5 * MIN),))
        hear(world, pulled + then, size)
        assert world.calls() == told


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("restart", [False, True])
def test_a_probe_put_back_elsewhere_has_not_fallen(size: int, restart: bool) -> None:
    """Eight points less after a minute on the table are another place in the tray, not water lost. What falls after
    that is told when it has been seen for long enough."""
    world = World((FALLING,))
    hear(world, bed([70.0] * 20) + air(2, 20), size)
    if restart:
        world.restart()
    hear(world, bed([62.0] * 20, 22), size)
    assert world.calls() == []
    hear(world, bed([62.0 - minute for minute in range(12)], 52), size)
    assert [call.partition(" ")[0] for call in world.calls()] == ["60"]


@pytest.mark.parametrize("size", SIZES)
def test_what_stands_goes_on_while_the_probe_is_out(size: int) -> None:
    """A tray that was told to be dry is neither over nor dry anew when its probe is pushed back an hour later."""
    world = World((DRY,))
    hear(world, bed([60.0] * 5) + air(60, 5) + bed([60.0] * 5, 65) + bed([75.0], 70), size)
    assert world.brief() == ["raised 0 unacknowledged @juniper/top", "cleared 70 returned-unacknowledged @juniper/top"]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("restart", [False, True])
def test_a_probe_in_the_air_is_heard(size: int, restart: bool) -> None:
    """It is not silent, and after a restart no more so; nor is its last value in the bedding forgotten."""
    alone = [one for one in SERIES if one.id == JT_MOISTURE]
    world = World((rule(SILENT, setpoint=10.0 * MIN), DRY), series=alone)
    hear(world, bed([70.0] * 5) + air(60, 5), size)
    if restart:
        world.restart()
    world.tick(73 * MIN)
    assert world.calls() == []
    world.tick(75 * MIN)
    assert [call.partition(" ")[0] for call in world.calls()] == ["74"]
    assert world.newest[JT_MOISTURE].usable_value == 70.0


def test_one_rule_counts_it_and_the_other_does_not() -> None:
    """Out of the bedding is not doubtful, and doubtful is not out: each question is asked for its own reason."""
    lifted, doubtful = World((LIFTED, SUSPECT)), World((LIFTED, SUSPECT))
    hear(lifted, bed([70.0] * 5) + air(10, 5), 1)
    hear(doubtful, bed([70.0] * 5) + [(t_ms, 20.0, flag) for t_ms, _, flag in air(10, 5)], 1)
    assert [one.key.rule for one in lifted.told] == ["lifted"]
    assert [one.key.rule for one in doubtful.told] == ["doubtful"]


def test_only_moisture_is_counted() -> None:
    """The rule is about the channel that tells, so a probe is asked for once."""
    world = World((LIFTED,))
    hear(world, bed([70.0] * 5) + air(10, 5), 1)
    world.read({JT_TEMPERATURE: air(10, 5)})
    assert [one.key.series for one in world.told] == [JT_MOISTURE]
