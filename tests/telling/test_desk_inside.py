"""Of one trouble at one place the worst alarm speaks; the lesser ones come out where they last longer."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.model import Event, Priority, Rule
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Fate, Reason
from tests.telling.desk_world import CARETAKER, HEAD, NIGHT, NOON, TEACHER, World, lab, rule
from tests.worlds.values import HOUR, MIN

HOT = rule()
WARM = replace(
    rule("bedding-warm", Priority.MEDIUM, 12 * HOUR), gives_way_to=("bedding-hot",), gives_way_for_ms=4 * HOUR
)
COOL = replace(WARM, name="bedding-cool", priority=Priority.LOW)
STOPPED = rule("tea-air-stopped", respond_ms=15 * MIN)
OXYGEN = replace(
    rule("tea-oxygen-low", respond_ms=15 * MIN), gives_way_to=("tea-air-stopped",), gives_way_for_ms=15 * MIN
)


def told(plans: list[MessagePlan]) -> list[tuple[str, str, str, str]]:
    """(who, alarm, event, why) of each item in the order they were told."""
    return [
        (plan.person.role, item.rule.name, item.transition.event, item.why) for plan in plans for item in plan.items
    ]


def test_a_pump_that_stops_and_runs_again_is_one_message_each_way() -> None:
    """Oxygen falls because the air is off: nobody is told to open a valve, and its end is no news either."""
    world = World(lab(), NOON)
    pump = world.raised(STOPPED, 1)
    world.wait(4 * MIN)
    oxygen = world.raised(OXYGEN, 2)
    world.wait(5 * MIN)
    world.change(pump, Event.CLEARED)
    world.wait(6 * MIN)
    world.change(oxygen, Event.CLEARED)
    world.wait(HOUR)
    assert told([plan for _, plan in world.plans]) == [
        ("teacher", "tea-air-stopped", "raised", "news"),
        ("teacher", "tea-air-stopped", "cleared", "news"),
    ]


def test_what_outlasts_the_worse_one_is_told_after_its_while() -> None:
    """The pump runs again, and a quarter of an hour later the oxygen is still low: now the valve matters."""
    world = World(lab(), NOON)
    pump = world.raised(STOPPED, 1)
    world.wait(4 * MIN)
    world.raised(OXYGEN, 2)
    world.wait(5 * MIN)
    world.change(pump, Event.CLEARED)
    assert told(world.release()) == [("teacher", "tea-air-stopped", "cleared", "news")]
    assert told(world.wait(14 * MIN)) == []
    assert told(world.wait(2 * MIN)) == [("teacher", "tea-oxygen-low", "raised", "news")]


def test_without_the_worse_one_it_is_told_at_once() -> None:
    """The pump runs and the oxygen is low: that is its own trouble."""
    world = World(lab(), NOON)
    world.raised(OXYGEN, 2)
    assert told(world.release()) == [("teacher", "tea-oxygen-low", "raised", "news")]


def test_another_place_is_another_trouble() -> None:
    """A hot tray says nothing of a warm one beside it."""
    world = World(lab(), NOON)
    world.raised(HOT, 1, "maple/top")
    world.release()
    world.raised(WARM, 2, "juniper/top")
    assert told(world.wait(2 * MIN)) == [("teacher", "bedding-warm", "raised", "news")]


def test_a_lesser_one_that_was_told_before_goes_quiet() -> None:
    """Once the tray is hot, its being warm is neither passed on nor told to have ended by itself."""
    world = World(lab((TEACHER, CARETAKER)), NOON)
    warm = world.raised(WARM, 1)
    world.release()
    hot = world.raised(HOT, 2)
    world.wait(5 * MIN)
    world.change(hot, Event.ACKNOWLEDGED)
    world.wait(8 * HOUR)
    world.change(hot, Event.CLEARED)
    world.wait(HOUR)
    world.change(warm, Event.CLEARED)
    world.wait(HOUR)
    assert [item for item in told([plan for _, plan in world.plans]) if item[1] == "bedding-warm"] == [
        ("teacher", "bedding-warm", "raised", "news")
    ]
    ends = [n for n in world.kept.values() if n.key.rule == "bedding-warm" and n.key.event == "cleared"]
    assert [one.fate for one in ends] == [Fate.DIGEST]


def test_what_waits_for_the_morning_goes_inside_what_wakes() -> None:
    """Warm at ten in the evening, hot at eleven: one message at night and no second one in the morning."""
    world = World(lab(), NIGHT)
    world.raised(WARM, 1)
    world.wait(HOUR)
    world.raised(HOT, 2)
    world.wait(12 * HOUR, 10 * MIN)
    names = {item[1] for item in told([plan for _, plan in world.plans])}
    assert names == {"bedding-hot"}


def test_whoever_does_not_hear_of_the_worse_one_hears_of_the_lesser() -> None:
    """A helper who is told of medium alarms only is not left unwarned."""
    helper = replace(CARETAKER, role="helper", email="helper@quillbrook.example", turn=1, priorities=("medium",))
    world = World(lab((TEACHER, helper)), NOON)
    world.raised(HOT, 1)
    world.release()
    world.raised(WARM, 2)
    assert told(world.wait(12 * MIN)) == [("helper", "bedding-warm", "raised", "news")]


def test_a_less_urgent_or_mutual_one_never_silences() -> None:
    """A lab that lowers the worse alarm, or lets two name each other, still hears of both."""
    for worse in (replace(HOT, priority=Priority.LOW), replace(HOT, gives_way_to=("bedding-warm",))):
        world = World(lab(), NOON)
        world.raised(worse, 1)
        world.release()
        world.raised(WARM, 2)
        assert ("teacher", "bedding-warm", "raised", "news") in told(world.wait(12 * MIN))


def test_a_low_one_inside_is_not_left_for_the_digest() -> None:
    """Its worse one was told; the digest gets it only where it outlasts that."""
    world = World(lab(), NOON)
    hot = world.raised(HOT, 1)
    world.release()
    world.raised(COOL, 2)
    world.wait(HOUR)
    assert Fate.DIGEST not in world.fates()
    world.change(hot, Event.CLEARED)
    world.wait(5 * HOUR)
    assert Fate.DIGEST in world.fates()


def test_one_that_is_seen_to_does_not_speak_up() -> None:
    """Acknowledged while it was inside: whoever did that knows."""
    world = World(lab(), NOON)
    hot = world.raised(HOT, 1)
    warm = world.raised(WARM, 2)
    world.release()
    world.change(warm, Event.ACKNOWLEDGED)
    world.change(hot, Event.CLEARED)
    world.wait(6 * HOUR)
    assert "bedding-warm" not in {item[1] for item in told([plan for _, plan in world.plans])}


STEPS = st.lists(
    st.tuples(
        st.sampled_from([(HOT, 1), (WARM, 2), (COOL, 3)]),
        st.sampled_from([Event.RAISED, Event.CLEARED, Event.ACKNOWLEDGED, Event.SHELVED, Event.UNSHELVED]),
        st.sampled_from([0, MIN, 20 * MIN, 3 * HOUR]),
    ),
    max_size=14,
)


@settings(max_examples=60)
@given(STEPS, st.sampled_from([NOON, NIGHT]))
def test_a_restart_changes_nothing(steps: list[tuple[tuple[Rule, int], Event, int]], start_ms: int) -> None:
    """Built anew from the journal before each step, the desk tells the same as one that ran on."""
    worlds = [World(lab((TEACHER, CARETAKER, HEAD)), start_ms, rebuilds=rebuilds) for rebuilds in (False, True)]
    for world in worlds:
        for (which, number), event, wait_ms in steps:
            world.change(world.alarm(which, number), event)
            world.wait(wait_ms, 10 * MIN)
        world.wait(10 * HOUR, 10 * MIN)
    ran, anew = ([(t_ms, told([plan])) for t_ms, plan in world.plans] for world in worlds)
    assert ran == anew


@settings(max_examples=60)
@given(STEPS)
def test_nobody_is_left_unwarned(steps: list[tuple[tuple[Rule, int], Event, int]]) -> None:
    """Whatever happened: what stands unanswered in the end was told as news, or a worse one stands and was."""
    world = World(lab(), NOON)
    for (which, number), event, wait_ms in steps:
        world.change(world.alarm(which, number), event)
        world.wait(wait_ms, 10 * MIN)
    world.wait(30 * HOUR, 30 * MIN)
    heard = {
        (n.key.rule, n.key.occurrence_ms)
        for n in world.kept.values()
        if n.fate in (Fate.TOLD, Fate.DIGEST) and n.key.why == Reason.NEWS and n.transition.annunciates
    }
    standing = {one.rule.name: one for one in world.alarms.values() if one.state == "unacknowledged"}
    for name, one in standing.items():
        worse = set(one.rule.gives_way_to) & {
            other.rule.name for other in world.alarms.values() if other.state in ("unacknowledged", "acknowledged")
        }
        assert (name, one.raised_ms) in heard or worse
