"""Overdue: what should have been done or ended, counted from notes, raised by time and cleared by the next note."""

from dataclasses import replace

import pytest

from collector.alarms.model import AlarmKey, Rule, What
from collector.domain.diary import DiaryKind, Feel
from tests.alarms.bench_lab import rule
from tests.alarms.world import UNWATERED, World
from tests.worlds.values import HOUR


def of(what: What, hours: float = 1, **changes: object) -> Rule:
    return rule(UNWATERED, name="late", what=what.value, setpoint=hours * HOUR, **changes)


def told(world: World) -> list[str]:
    return [f"{one.event} {one.t_ms / HOUR:g}" for one in world.told]


@pytest.mark.parametrize(
    ("what", "kind", "place", "feel"),
    [
        (What.WATERING, DiaryKind.WATERED, "juniper/top", None),
        (What.FEEDING, DiaryKind.FED, "juniper", None),
        (What.DRAIN, DiaryKind.DRAINED, "juniper", None),
        (What.SQUEEZE_TEST, DiaryKind.SQUEEZE, "juniper/bottom", Feel.DAMP),
    ],
)
def test_it_counts_from_when_it_was_last_done(what: What, kind: DiaryKind, place: str, feel: Feel | None) -> None:
    """Done at 1/2 h, overdue at 1 1/2 h, done at 2 h: by a note about the bin or one of its trays."""
    world = World((of(what, where=("juniper",)),))
    world.note(kind, place, HOUR // 2, feel)
    world.tick(2 * HOUR - 1)
    world.note(kind, place, 2 * HOUR, feel)
    world.tick(3 * HOUR - 1)
    assert told(world) == ["raised 1.5", "cleared 2"]
    assert [one.since_ms for one in world.told] == [3 * HOUR // 2] * 2


def test_never_done_counts_from_when_the_place_became_known() -> None:
    """A new lab is not overdue since 1970."""
    world = World((of(What.WATERING),))
    world.tick(HOUR - 1)
    assert told(world) == []
    world.tick(HOUR)
    assert told(world) == ["raised 1", "raised 1"], "both bins"


def test_a_note_of_the_past_counts_for_when_it_was_done_and_from_when_it_was_taken() -> None:
    """Noted at 2 h that it was done at 1/4 h: still overdue. Noted that it was done at 1 3/4 h: clears at 2 1/4 h."""
    world = World((of(What.WATERING, where=("maple",)),))
    world.tick(HOUR)
    world.note(DiaryKind.WATERED, "maple/top", 2 * HOUR, t_ms=HOUR // 4)
    world.tick(2 * HOUR)
    assert told(world) == ["raised 1"]
    world.note(DiaryKind.WATERED, "maple/top", 9 * HOUR // 4, t_ms=7 * HOUR // 4)
    world.tick(9 * HOUR // 4)
    assert told(world) == ["raised 1", "cleared 2.25"]
    world.tick(3 * HOUR)
    assert told(world)[2:] == ["raised 2.75"]


def test_a_note_that_is_struck_counts_no_longer() -> None:
    """Struck out: overdue from then, since when it truly was."""
    world = World((of(What.FEEDING, where=("maple",)),))
    world.note(DiaryKind.FED, "maple", HOUR // 2)
    world.tick(HOUR)
    world.entries[0] = replace(world.entries[0], struck_ms=5 * HOUR // 4, struck_by="teacher")
    world.told += world.engine.contexts_changed(world.contexts, 5 * HOUR // 4)
    world.tick(5 * HOUR // 4)
    assert told(world) == ["raised 1.25"]
    assert world.told[0].since_ms == HOUR


def test_a_brew_past_its_time() -> None:
    """Counted from its start, cleared by its end; without a brew nothing is to be ended."""
    world = World((of(What.BREW_END, 36),))
    world.tick(100 * HOUR)
    world.brew(101 * HOUR)
    world.tick(136 * HOUR)
    assert told(world) == []
    world.tick(140 * HOUR)
    world.brew(141 * HOUR, end=True)
    world.tick(142 * HOUR)
    assert told(world) == ["raised 137", "cleared 141"]


@pytest.mark.parametrize("used", [False, True])
def test_tea_past_its_use(used: bool) -> None:
    """Counted from when the air stopped; cleared by a note of its use or by the next brew."""
    world = World((of(What.TEA_USE, 8),))
    world.brew(HOUR)
    world.tick(30 * HOUR)
    world.brew(31 * HOUR, end=True)
    world.tick(40 * HOUR)
    assert told(world) == ["raised 39"]
    if used:
        world.note(DiaryKind.TEA_USED, "kettle", 41 * HOUR)
    else:
        world.brew(41 * HOUR)
    world.tick(42 * HOUR)
    assert told(world) == ["raised 39", "cleared 41"]


@pytest.mark.parametrize(
    ("what", "where", "places"),
    [
        (What.WATERING, (), ["juniper", "maple"]),
        (What.WATERING, ("*/top",), ["juniper/top", "maple/top"]),
        (What.BREW_END, (), ["kettle"]),
        (What.TEA_USE, ("juniper",), []),
    ],
)
def test_where_it_holds(what: What, where: tuple[str, ...], places: list[str]) -> None:
    """By itself at bins and brewers; at trays where the rule names them."""
    world = World((of(what, where=where),))
    found = {one.id: one.place for one in world.series}
    assert [found[key.series] for key in world.engine.states()] == places


@pytest.mark.parametrize("at", [HOUR // 2, 3 * HOUR // 2, 5 * HOUR // 2])
def test_a_restart_changes_nothing(at: int) -> None:
    """Before, while and after it is overdue."""
    worlds = World((of(What.WATERING, where=("juniper",)),)), World((of(What.WATERING, where=("juniper",)),))
    for world in worlds:
        for moment in range(HOUR // 4, 4 * HOUR, HOUR // 4):
            if moment == 2 * HOUR:
                world.note(DiaryKind.WATERED, "juniper", moment)
            world.tick(moment - 1)
            if moment == at and world is worlds[1]:
                world.restart()
    assert worlds[0].told == worlds[1].told
    assert worlds[0].engine.states() == worlds[1].engine.states()
    (key,) = worlds[0].engine.states()
    assert isinstance(key, AlarmKey)
