"""The scenarios that ship: the harm each one documents happens in its window over many seeds, and nothing else does."""

from dataclasses import replace

import pytest

from sim_sensors import run, scenarios, truth, varying
from sim_sensors.around import Expected
from sim_sensors.physics.school import local_day, weekday
from tests.sim.outcomes import Outcome, outcomes

pytestmark = pytest.mark.slow
HOUR_MS = 3_600_000
SEEDS = (1, 2)
_LONG_MS = 20 * 24 * HOUR_MS
"""What is longer is played once."""
STEP_MS = 600_000
FINE_STEP_MS = 120_000
"""Where oxygen is at stake."""
SLACK_MS = STEP_MS
STORIES = [name for name in scenarios.names() if scenarios.load(name).harms]
NORMAL = ["quiet", "school-winter", "school-year"]


def first_of_each(found: list[Outcome]) -> dict[tuple[str, str], Outcome]:
    return {(one.what, one.place): one for one in reversed(found)}


def fits(expected: Expected, got: Outcome) -> bool:
    """Begins in its window, and whoever knows by the time written is in time."""
    begins = expected.from_ms - SLACK_MS <= got.begin_ms <= expected.to_ms + SLACK_MS
    return begins and expected.know_by_ms - SLACK_MS <= got.know_by_ms


@pytest.mark.parametrize("name", STORIES)
def test_the_documented_harm_happens(name: str) -> None:
    """In each seed every harm of the file begins in its window, and none comes that the file does not name."""
    scenario = scenarios.load(name)
    step_ms = FINE_STEP_MS if name in ("pump-failure", "school-demo") else STEP_MS
    for seed in SEEDS[:1] if scenario.length_ms > _LONG_MS else SEEDS:
        got = first_of_each(outcomes(scenario, seed, step_ms))
        for one in scenario.harms:
            there = got.pop((one.what, one.place), None)
            assert one.seldom if there is None else fits(one, there), (seed, one, there)
        assert got == {}, (seed, got)


@pytest.mark.parametrize("name", NORMAL)
def test_normal_times_have_no_harm(name: str) -> None:
    """A normal term does no harm to a worm or a brew; a step of an hour is enough for that."""
    scenario = scenarios.load(name)
    assert scenario.harms == ()
    assert outcomes(scenario, 1, HOUR_MS) == []


def test_every_story_is_told_by_some_scenario() -> None:
    """The set of scenarios that ship; each has its harm or is a normal time."""
    assert {*STORIES, *NORMAL} == set(scenarios.names())
    assert {one.what for name in STORIES for one in scenarios.load(name).harms} == {
        "bedding-airless", "bedding-cold", "bedding-dry", "bedding-hot", "bedding-wet", "brew-overdue", "oxygen-low",
        "sump-full", "tea-stale", "unwatched", "worms-dying",
    }  # fmt: skip


@pytest.mark.parametrize("name", scenarios.names())
def test_the_beginning_is_the_weekday_written_beside_it(name: str) -> None:
    """`begins` says its weekday in a comment, and that is the one it is."""
    scenario = scenarios.load(name)
    if scenario.start_ms is None:
        return
    text = scenarios.text(name)
    said = text.partition("begins: ")[2].splitlines()[0]
    days = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
    assert days[weekday(local_day(scenario.room.school, scenario.start_ms))] in said


def test_seeds_differ_and_repeat() -> None:
    """Two seeds of a story are two stories; the same seed is the same to the byte."""
    scenario = replace(scenarios.load("lid-left-open"), length_ms=8 * HOUR_MS)

    def played(seed: int) -> bytes:
        lines = []
        for pack in run.run(scenario, seed, 0, scenario.length_ms):
            lines += [f"{pack.t_ms} {pack.topic} ".encode(), pack.payload]
            lines += [truth.line(fact).encode() for fact in pack.facts]
        return b"\n".join(lines)

    first = played(1)
    assert first == played(1)
    assert first != played(2)
    assert varying.varied(scenario, 1).faults != varying.varied(scenario, 2).faults
