"""Alarms of every kind, over several probes, with contexts: live, replayed and restarted they tell the same."""

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.model import Rule
from tests.alarms.bench_lab import MIN
from tests.alarms.world import HEARD, NOTED, ORDERED, Happening, World, every_kind, happenings, live

CUTS = st.lists(st.integers(0, 120 * MIN), max_size=6)


@given(every_kind(), happenings([*HEARD, *NOTED]), CUTS)
@settings(max_examples=70, deadline=None)
def test_replaying_what_was_kept_gives_what_was_told(
    rules: tuple[Rule, ...], came: list[Happening], cuts: list[int]
) -> None:
    """Readings of eight series that overtake each other, ticks and notes between them, against the kept rows in the
    order of their times in chunks of any size: the same transitions, to the last value."""
    world = World(rules)
    live(world, came)
    assert world.replay(cuts) == world.in_order()


@given(every_kind(), happenings([*HEARD, *NOTED, *ORDERED, "up", "down"]), st.sets(st.integers(0, 79), max_size=8))
@settings(max_examples=70, deadline=None)
def test_restarts_change_nothing(rules: tuple[Rule, ...], came: list[Happening], restarts: set[int]) -> None:
    """Rebuilt from states and the last rows, as often as you like, whatever people order and whatever the link does."""
    steady, interrupted = World(rules), World(rules)
    live(steady, came, restarts)
    live(interrupted, came, restarts, restart=True)
    assert steady.told == interrupted.told
    assert steady.rows == interrupted.rows
    assert steady.engine.states() == interrupted.engine.states()
