"""Many alarms and many moments: floods, outages, whatever may happen in any order; nothing unsaid, nothing twice."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.model import Event, Priority
from collector.telling.desk_case import is_told
from collector.telling.desk_people import concerned
from collector.telling.desk_times import HOUR_MS
from collector.telling.message_plan import Item, MessagePlan
from collector.telling.notice import Fate, Notice, Reason
from tests.telling.desk_world import CARETAKER, HEAD, LOW, MEDIUM, NIGHT, NOON, TEACHER, World, lab, rule
from tests.worlds.values import DAY, HOUR, MIN

HIGH = rule()
SHORT = rule("bedding-dry", Priority.MEDIUM, 6 * HOUR)
CLASS = replace(CARETAKER, role="class 4b", email="4b@quillbrook.example", turn=1, where=("juniper/*",))
MANAGER = replace(TEACHER, role="manager", email="m@quillbrook.example", priorities=("low", "medium"), turn=2)
EVERYBODY = (TEACHER, CLASS, CARETAKER, HEAD, MANAGER)
SITES = (
    (HIGH, "juniper/top"),
    (HIGH, "maple/top"),
    (MEDIUM, "juniper/top"),
    (SHORT, "maple/top"),
    (LOW, "juniper/top"),
)


def said(plans: list[MessagePlan]) -> list[object]:
    """Every change that the items tell, the end of what came and went too."""
    items = [item for plan in plans for item in plan.items]
    return [change for item in items for change in (item.transition, item.ended) if change is not None]


def test_alarms_of_one_moment_are_one_message_worst_first() -> None:
    """By priority, then by the time that is left; what is over comes last."""
    world = World(lab())
    urgent = rule("tea-stale", Priority.HIGH, HOUR)
    for number, one in enumerate((MEDIUM, HIGH, SHORT, urgent), 1):
        world.raised(one, number)
    gone = world.raised(HIGH, 9)
    world.change(gone, Event.CLEARED)
    (told,) = world.release()
    names = [(item.rule.name, item.ended is None) for item in told.items]
    assert names == [
        ("tea-stale", True),
        ("bedding-hot", True),
        ("bedding-dry", True),
        ("bedding-warm", True),
        ("bedding-hot", False),
    ]
    assert (told.held, told.catching_up) == (0, False)


def test_an_outage_ends_in_one_message_that_says_so() -> None:
    """A backlog of six hours: while it comes in nobody is told, then what stands and what came and went together."""
    world = World(lab(), NOON)
    for number in range(1, 21):
        one = world.alarm(HIGH, number)
        world.change(one, Event.RAISED, NOON - 6 * HOUR + number * MIN)
        assert world.release(gathering=True) == []
        if number % 2:
            world.change(one, Event.CLEARED, NOON - 5 * HOUR + number * MIN)
    (told,) = world.release()
    assert told.catching_up
    assert len(said([told])) == 30
    assert [item.ended is None for item in told.items] == [True] * 10 + [False] * 10
    world.wait(HOUR)
    assert {item.why for _, p in world.plans[1:] for item in p.items} <= {Reason.REMINDER, Reason.PASSED_ON}


def test_a_single_alarm_right_after_a_start_is_no_outage() -> None:
    """Seen while a start gathers, and fresh."""
    world = World(lab())
    world.raised(HIGH)
    assert world.release(gathering=True) == []
    (told,) = world.release()
    assert not told.catching_up


@pytest.mark.slow
def test_a_flood_of_500_alarms_is_a_few_messages_with_every_alarm_said() -> None:
    """500 alarms in 25 minutes, each over ten minutes later: five messages in that time, seven in the hour; every
    change once, and how many waited is counted."""
    world = World(lab((TEACHER, CLASS)))
    for number in range(1, 501):
        world.raised(HIGH, number)
        if number > 200:
            world.change(world.alarm(HIGH, number - 200), Event.CLEARED)
        world.now_ms += 3_000
        world.release()
    assert [len([1 for _, p in world.plans if p.person.role == role]) for role in ("teacher", "class 4b")] == [5, 5]
    world.wait(35 * MIN)
    for role in ("teacher", "class 4b"):
        own = [p for _, p in world.plans if p.person.role == role]
        news = [c for c in said(own) if c not in reminded(own)]
        assert len(own) <= 8
        assert len(news) == len(set(map(repr, news))) == 800
        assert sum(p.held for p in own) > 700


def reminded(plans: list[MessagePlan]) -> list[object]:
    return [item.transition for p in plans for item in p.items if item.why is not Reason.NEWS]


# Anything in any order -----------------------------------------------------------------------------------------------

EVENTS = (Event.RAISED, Event.CLEARED, Event.ACKNOWLEDGED, Event.RE_ALARMED, Event.SHELVED, Event.UNSHELVED)
steps = st.lists(
    st.tuples(
        st.sampled_from((0, 0, 1, 2, 7, 45, 400)),
        st.sampled_from(range(len(SITES))),
        st.sampled_from((*EVENTS, Event.RAISED, Event.CLEARED, Event.RAISED, Event.LATCHED)),
        st.booleans(),
    ),
    min_size=1,
    max_size=25,
)


def live(found: list[tuple[int, int, Event, bool]], start_ms: int, *, rebuilds: bool) -> World:
    """Each step: so many minutes, then an event of an alarm, seen while gathering or not; at last three quiet days."""
    world = World(lab(EVERYBODY), start_ms, rebuilds=rebuilds)
    for minutes, site, event, gathering in found:
        world.wait(minutes * MIN)
        world.now_ms += 1  # an alarm changes at most once in a moment
        world.change(world.alarm(SITES[site][0], site, SITES[site][1]), event)
        world.release(gathering)
    world.wait(10 * MIN)
    world.wait(3 * DAY, 20 * MIN)
    return world


@settings(max_examples=15, deadline=None)
@given(steps, st.sampled_from((NOON, NIGHT)))
def test_every_change_is_told_once_to_each_person_it_concerns(
    found: list[tuple[int, int, Event, bool]], start_ms: int
) -> None:
    """In exactly one message, or left for the digest; dropped only where the alarm was put aside before. Never more
    than eight messages in an hour, and what is high within ten minutes."""
    world = live(found, start_ms, rebuilds=False)
    aside = {(change.key, change.raised_ms) for _, _, change in world.changes if change.event is Event.SHELVED}
    for which, place, change in world.changes:
        if not change.annunciates:
            continue
        hearers = concerned(EVERYBODY, which, place, world.lab)
        first = min((one.turn for one in hearers), default=1)
        for person in hearers:
            notices = [n for n in world.kept.values() if (n.key.role, n.transition) == (person.role, change)]
            news = [n for n in notices if n.key.why == Reason.NEWS]
            assert len(news) == (which is LOW or person.turn == first)
            for notice in news:
                put_aside = (change.key, change.raised_ms) in aside or (which is LOW and not person.digest)
                assert notice.fate in (Fate.TOLD, Fate.DIGEST) or put_aside
    assert not any(notice.fate is Fate.WAITING for notice in world.kept.values())
    _each_in_one_message(world)
    _paced(world)


def _each_in_one_message(world: World) -> None:
    """Each notice that was told is in the one plan it names, and no plan tells anything else."""
    plans = {plan.key: plan for _, plan in world.plans}
    assert len(plans) == len(world.plans)
    by_message: dict[str, list[Notice]] = {}
    for notice in world.kept.values():
        if notice.fate is Fate.TOLD:
            by_message.setdefault(notice.message, []).append(notice)
        elif notice.key.why == Reason.NEWS:
            assert is_told(notice.transition)
    assert by_message.keys() == plans.keys()
    for key, notices in by_message.items():
        assert {notice.key.role for notice in notices} == {plans[key].person.role}
        assert Counter(map(_of_notice, notices)) == Counter(f for i in plans[key].items for f in _of_item(i))


def _of_notice(notice: Notice) -> tuple[object, str]:
    return notice.transition, notice.key.why


def _of_item(item: Item) -> list[tuple[object, str]]:
    return [(item.transition, item.why), *([] if item.ended is None else [(item.ended, Reason.NEWS)])]


def _paced(world: World) -> None:
    for role in (person.role for person in EVERYBODY):
        times = [ms for ms, plan in world.plans if plan.person.role == role]
        assert all(sum(begin <= ms < begin + HOUR_MS for ms in times) <= 8 for begin in times)
    for notice in world.kept.values():
        if notice.priority == "high" and notice.settled_ms is not None and notice.key.why == Reason.NEWS:
            assert notice.settled_ms - notice.made_ms <= 10 * MIN


@settings(max_examples=10, deadline=None)
@given(steps, st.sampled_from((NOON, NIGHT)))
def test_a_desk_built_anew_at_every_moment_tells_the_same(
    found: list[tuple[int, int, Event, bool]], start_ms: int
) -> None:
    """Restarted before each step and each look: the same messages with the same keys at the same times."""
    plain, broken = (live(found, start_ms, rebuilds=rebuilds) for rebuilds in (False, True))
    assert [(ms, plan.person, plan.key) for ms, plan in plain.plans] == [
        (ms, plan.person, plan.key) for ms, plan in broken.plans
    ]
    assert [_shown(plan) for _, plan in plain.plans] == [_shown(plan) for _, plan in broken.plans]
    assert plain.kept == broken.kept


def _shown(plan: MessagePlan) -> tuple[object, ...]:
    """All but who else was told (which a restart may have forgotten of what is over) and whether it was gathered."""
    return plan.items, plan.held
