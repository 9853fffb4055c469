"""What stands with one cause is told together: twelve trays in a frost, their thaw, and what is no company."""

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest

from collector.alarms.model import Event, Priority
from collector.telling.desk_company import cause_of
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Fate, Reason
from tests.alarms.shipped_sets import RULES
from tests.letters.examples import HOT
from tests.telling.desk_world import CARETAKER, HEAD, TEACHER, ZONE, World, at, lab, rule, telling
from tests.worlds import values
from tests.worlds.values import HOUR, MIN, tray

AHEAD, FREEZING, COOL = (RULES[f"bedding-{name}"] for name in ("freezing-ahead", "near-freezing", "cool"))
TRAYS = [f"bin-{number}/{level}" for number in range(1, 5) for level in ("top", "middle", "bottom")]
EVENING = at(3, 3, 18)
PEOPLE = (TEACHER, CARETAKER, HEAD)


def frost(*, rebuilds: bool = False, answered: bool = False) -> World:
    """A night in which the heating fails: one tray after the other, within two hours, cools below 12 degC, is told of
    two hours later as about to freeze, and is near freezing three hours after that. A day from its beginning it
    stands still. `answered`: somebody has acknowledged all that is near freezing, when the last one was told of."""
    school = values.lab(places=tuple(map(tray, TRAYS)), time_zone=ZONE, people=PEOPLE, telling=telling())
    world = World(school, EVENING, rebuilds=rebuilds)
    story = [
        (round(number * 2 * HOUR / 11) + later, one, number + 1, place)
        for number, place in enumerate(TRAYS)
        for later, one in ((0, COOL), (2 * HOUR, AHEAD), (5 * HOUR, FREEZING))
    ]
    for after_ms, one, number, place in sorted(story, key=lambda step: step[0]):
        world.wait_until(EVENING + after_ms, 10 * MIN)
        world.raised(one, number, place)
        if one is FREEZING:
            world.change(world.alarm(AHEAD, number, place), Event.CLEARED)
        world.release()
    world.wait(3 * HOUR, 10 * MIN)
    for alarm in list(world.alarms.values()) if answered else []:
        world.change(alarm, Event.ACKNOWLEDGED)
    world.wait_until(EVENING + 24 * HOUR, 10 * MIN)
    return world


def counted(world: World) -> dict[str, int]:
    return Counter(plan.person.role for _, plan in world.plans)


@pytest.mark.parametrize("answered", [False, True])
def test_a_frost_of_twelve_trays_is_eight_messages_a_day_at_most(answered: bool) -> None:
    """To each person, of three rules at twelve trays, whether somebody answers or not; and nothing of it is left out:
    each tray that is near freezing is told to the teacher within half of its time to respond."""
    world = frost(answered=answered)
    assert max(counted(world).values()) <= 8
    told = [
        one
        for one in world.kept.values()
        if (one.key.role, one.key.rule, one.key.why, one.fate) == ("teacher", FREEZING.name, Reason.NEWS, Fate.TOLD)
    ]
    assert {one.place for one in told} == set(TRAYS)
    late_ms = [(one.settled_ms or 0) - one.made_ms for one in told]
    assert max(late_ms) <= FREEZING.time_to_respond_ms // 2 + 10 * MIN


def test_what_stands_with_one_cause_is_called_to_mind_at_once() -> None:
    """When all of it has been told, each reminder names all twelve trays, and they grow ever rarer."""
    world = frost()
    last = [(ms, plan) for ms, plan in world.plans if plan.person is TEACHER and why(plan) == {Reason.REMINDER}]
    assert [len(plan.items) for _, plan in last] == [12, 12, 12]
    assert [round((then - ms) / HOUR) for (ms, _), (then, _) in pairwise(last)] == [4, 8]


def why(plan: MessagePlan) -> set[Reason]:
    return {item.why for item in plan.items}


def test_a_restart_in_a_frost_changes_nothing() -> None:
    """Built anew before each step: the same messages at the same times."""
    plain, broken = frost(), frost(rebuilds=True)
    assert [(ms, plan.key) for ms, plan in plain.plans] == [(ms, plan.key) for ms, plan in broken.plans]


def test_a_thaw_is_told_together() -> None:
    """Twelve trays that are well again within an hour and a half: two messages, all of them said."""
    world = frost(answered=True)
    before = len(world.plans)
    for number, place in enumerate(TRAYS, 1):
        world.change(world.alarm(FREEZING, number, place), Event.CLEARED)
        world.wait(8 * MIN)
    world.wait(3 * HOUR, 10 * MIN)
    told = [plan for _, plan in world.plans[before:] if plan.person is TEACHER]
    over = [item.series.place for plan in told for item in plan.items if item.transition.event is Event.CLEARED]
    assert sorted(over) == sorted(TRAYS)
    assert len(told) <= 2


HIGH = rule()
PLACES = ("juniper/top", "juniper/middle", "juniper/bottom", "maple/top", "kettle")


def standing(*places: str) -> World:
    """All told, in one message eleven minutes ago."""
    world = World(lab())
    for number, place in enumerate(places, 1):
        world.raised(HIGH, number, place)
    world.release()
    world.wait(11 * MIN)
    return world


@pytest.mark.parametrize(("others", "waits_min"), [(0, 0), (1, 0), (2, 49), (3, 49), (4, 109)])
def test_a_further_place_waits_the_longer_the_more_are_known(others: int, waits_min: int) -> None:
    """Of 4 h to respond: the second at once, the next two up to an hour after the last word, the fifth two hours."""
    world = standing(*PLACES[:others])
    told_ms = [ms for ms, _ in world.plans]
    begin_ms = world.now_ms
    world.raised(HIGH, 9, PLACES[others])
    world.release()
    world.wait(2 * HOUR)
    found = next(ms for ms, plan in world.plans[len(told_ms) :] if any(item.series.id == 9 for item in plan.items))
    assert (found - begin_ms) // MIN == waits_min


def test_whoever_hears_something_hears_of_what_waits_for_company() -> None:
    """Another alarm of another cause takes it along."""
    world = standing(*PLACES[:3])
    world.raised(HIGH, 9, PLACES[3])
    assert world.wait(12 * MIN) == []
    other = replace(HOT, name="sump-full", priority=Priority.HIGH)
    world.raised(other, 10, "juniper")
    (told,) = world.release()
    assert {item.rule.name for item in told.items} == {"sump-full", HIGH.name}


def test_another_trouble_at_a_further_place_is_told_at_once() -> None:
    """However many trays are too hot, one that dries is news."""
    world = standing(*PLACES[:4])
    world.wait(10 * MIN)
    world.raised(rule("bedding-parched"), 9, "kettle")
    assert [item.rule.name for plan in world.release() for item in plan.items] == ["bedding-parched"]


def test_what_waits_for_company_and_is_over_before_is_left_for_the_digest() -> None:
    """Nobody is called to what came and went."""
    world = standing(*PLACES[:3])
    one = world.raised(HIGH, 9, PLACES[3])
    world.wait(20 * MIN)
    world.change(one, Event.CLEARED)
    world.wait(HOUR)
    assert not [item for _, plan in world.plans for item in plan.items if item.series.id == 9]
    assert {notice.fate for notice in world.kept.values() if notice.key.series == 9} == {Fate.DIGEST}


def test_one_trouble_has_one_cause() -> None:
    """Cool, about to freeze and near freezing are one; too dry and too wet are two."""
    assert {cause_of(one) for one in (COOL, AHEAD, FREEZING)} == {FREEZING.name}
    dry = [RULES[f"bedding-{name}"] for name in ("parched", "dry", "drying", "drying-fast", "dry-ahead")]
    assert {cause_of(one) for one in dry} == {"bedding-parched"}
    assert cause_of(RULES["bedding-wet"]) != "bedding-parched"
