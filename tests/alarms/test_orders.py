"""What people order and what contexts do: shelving, out of service, suppression, latching, re-alarm."""

import pytest

from collector.alarms.contexts import parse_condition
from collector.alarms.model import STANDING, Event, Rule, State
from collector.alarms.shelving import LONGEST_SHELF_MS
from collector.domain.diary import DiaryKind
from tests.alarms.bench_lab import HOT, MIN, rule
from tests.alarms.world import BREWING, WATERED, World
from tests.alarms.world_lab import JB_TEMPERATURE, JT_TEMPERATURE, SERIES
from tests.worlds.values import HOUR

AT = "juniper/top"


def hot(*rules: Rule, value: float = 31.0) -> World:
    """Juniper's top tray at 10 min, too hot by itself, with one probe in it."""
    world = World(rules or (HOT,), series=[one for one in SERIES if one.probe != "jt2"])
    world.say(JT_TEMPERATURE, 10 * MIN, value)
    return world


def shelve(world: World, until: int = HOUR, now: int = 20 * MIN, name: str = "bedding-hot") -> str | None:
    told, problem = world.engine.shelve(name, AT, until, "window being repaired", "teacher", now)
    world.told += told
    return problem


def states(world: World) -> list[str]:
    """How the top tray's alarm went."""
    return [f"{one.event} {one.after}" for one in world.told if one.key.series == JT_TEMPERATURE]


def state(world: World) -> State:
    return world.state("bedding-hot", JT_TEMPERATURE).state


# ---- shelving ----------------------------------------------------------------------------------------------------


def test_shelving_says_why_by_whom_and_until_when() -> None:
    """In the change and in the stored state."""
    world = hot()
    assert shelve(world) is None
    change = world.told[-1]
    assert (change.event, change.by, change.note, change.until_ms) == (
        Event.SHELVED,
        "teacher",
        "window being repaired",
        HOUR,
    )
    saved = world.state("bedding-hot", JT_TEMPERATURE)
    assert (saved.shelved_until_ms, saved.shelved_by, saved.reason) == (HOUR, "teacher", "window being repaired")


@pytest.mark.parametrize(("value", "then"), [(31.0, State.UNACKNOWLEDGED), (20.0, State.NORMAL)])
def test_shelving_ends_by_itself_and_the_present_condition_decides(value: float, then: State) -> None:
    """While shelved it goes on being judged and recorded; at the end people are called if it is still there."""
    world = hot()
    shelve(world)
    world.say(JT_TEMPERATURE, 30 * MIN, 20.0)
    world.say(JT_TEMPERATURE, 40 * MIN, value)
    assert state(world) is State.SHELVED
    assert not any(one.annunciates for one in world.told[2:])
    world.tick(HOUR - 1)
    assert state(world) is State.SHELVED
    world.tick(2 * HOUR)
    assert (state(world), world.told[-1].event, world.told[-1].t_ms) == (then, Event.UNSHELVED, HOUR)
    assert world.told[-1].annunciates is (then is State.UNACKNOWLEDGED)
    assert world.state("bedding-hot", JT_TEMPERATURE).shelved_until_ms is None


def test_the_end_of_a_shelving_makes_no_reading_late() -> None:
    """It is on people's time: the clock of the series stays."""
    world = hot()
    shelve(world)
    world.tick(2 * HOUR)
    assert world.engine.clock_ms(JT_TEMPERATURE) == 10 * MIN


@pytest.mark.parametrize(
    ("until", "reason", "said"),
    [
        (20 * MIN, "x", "the end of the shelving is not in the future"),
        (20 * MIN + LONGEST_SHELF_MS + 1, "x", "an alarm is shelved for 7 d at most; what lasts longer wants a rule"),
        (HOUR, "  ", "shelving needs a reason"),
    ],
)
def test_shelving_is_bounded_and_reasoned(until: int, reason: str, said: str) -> None:
    """No end, an end too far, no reason: refused in words, nothing changes."""
    world = hot()
    assert world.engine.shelve("bedding-hot", AT, until, reason, "teacher", 20 * MIN) == ([], said)


def test_shelving_again_moves_the_end_and_unshelving_ends_it() -> None:
    """Both are recorded; a second unshelving has nothing to do."""
    world = hot()
    shelve(world)
    assert shelve(world, 2 * HOUR, 30 * MIN) is None
    world.tick(HOUR)
    assert state(world) is State.SHELVED
    told, problem = world.engine.unshelve("bedding-hot", AT, "teacher", 70 * MIN)
    assert (problem, [one.after for one in told], told[0].by) == (None, [State.UNACKNOWLEDGED], "teacher")
    again = world.engine.unshelve("bedding-hot", AT, "teacher", 71 * MIN)
    assert again == ([], f"'bedding-hot' at {AT} is unacknowledged; it is not shelved")


def test_a_shelved_alarm_has_nothing_to_acknowledge() -> None:
    """The answer says how it is."""
    world = hot()
    shelve(world)
    _, problem = world.engine.acknowledge("bedding-hot", AT, "teacher", 30 * MIN)
    assert problem == f"'bedding-hot' at {AT} is shelved; there is nothing to acknowledge"


# ---- out of service ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("target", [AT, "juniper", "jt"])
def test_a_place_its_bin_or_its_probe_goes_out_of_service(target: str) -> None:
    """All alarms there, at once, until they are put back; the present condition decides then."""
    world = hot()
    told, problem = world.engine.set_service(target, False, "maintainer", 20 * MIN)
    assert problem is None
    assert {one.after for one in told} == {State.OUT_OF_SERVICE}
    assert state(world) is State.OUT_OF_SERVICE
    others = world.state("bedding-hot", JB_TEMPERATURE).state
    assert (others is State.OUT_OF_SERVICE) == (target == "juniper")
    world.restart()
    assert state(world) is State.OUT_OF_SERVICE
    told, _ = world.engine.set_service(target, True, "maintainer", 30 * MIN)
    assert state(world) is State.UNACKNOWLEDGED
    assert {one.by for one in told} == {"maintainer"}


@pytest.mark.parametrize(
    ("target", "in_service", "said"),
    [
        ("junper", False, "no place or probe is called 'junper'; did you mean 'juniper'?"),
        (AT, True, "juniper/top is in service already"),
        ("kettle", False, "kettle has no alarm"),
    ],
)
def test_what_cannot_be_taken_out(target: str, in_service: bool, said: str) -> None:
    """Unknown, as it is already, or without alarms."""
    assert hot().engine.set_service(target, in_service, "maintainer", 20 * MIN) == ([], said)


def test_a_probe_cannot_be_put_back_where_the_diary_took_its_tray_out() -> None:
    """The answer says what can."""
    world = hot()
    world.note(DiaryKind.OUT_OF_SERVICE, AT, 20 * MIN)
    world.tick(21 * MIN)
    said = "jt itself is in service; its tray is out of service by the diary: traywarden diary add in-service"
    assert world.engine.set_service("jt", True, "maintainer", 22 * MIN) == ([], said)


def test_the_diary_takes_a_tray_out_and_back() -> None:
    """Noted out of service at 20 min and in service at 40 min: at those times, whatever was read meanwhile."""
    world = hot()
    world.note(DiaryKind.OUT_OF_SERVICE, AT, 20 * MIN)
    world.say(JT_TEMPERATURE, 30 * MIN, 32.0)
    world.note(DiaryKind.IN_SERVICE, AT, 40 * MIN)
    world.tick(50 * MIN)
    assert states(world) == [
        "raised unacknowledged",
        "taken-out-of-service out-of-service",
        "put-back-in-service unacknowledged",
    ]
    assert [one.t_ms // MIN for one in world.told if one.key.series == JT_TEMPERATURE] == [10, 20, 40]


# ---- several at once ---------------------------------------------------------------------------------------------


def test_out_of_service_comes_before_shelved_and_shelved_before_suppressed() -> None:
    """Leaving one it goes to the next that still holds, and people are called only when none does."""
    world = hot(rule(HOT, not_while=(WATERED,)))
    world.note(DiaryKind.WATERED, AT, 20 * MIN)
    world.tick(20 * MIN)
    shelve(world, 28 * MIN, 21 * MIN)
    world.told += world.engine.set_service(AT, False, "maintainer", 22 * MIN)[0]
    world.told += world.engine.set_service(AT, True, "maintainer", 23 * MIN)[0]
    world.tick(28 * MIN)
    world.tick(30 * MIN)
    assert states(world) == [
        "raised unacknowledged",
        "suppressed suppressed",
        "shelved shelved",
        "taken-out-of-service out-of-service",
        "shelved shelved",
        "suppressed suppressed",
        "unsuppressed unacknowledged",
    ]
    assert [one.annunciates for one in world.told].count(True) == 2


def test_what_is_out_of_service_cannot_be_shelved() -> None:
    """It is held already; the answer says so."""
    world = hot()
    world.engine.set_service(AT, False, "maintainer", 20 * MIN)
    assert shelve(world) == f"'bedding-hot' at {AT} is out-of-service; there is nothing to shelve"


# ---- suppression by design ---------------------------------------------------------------------------------------


def test_suppressed_unless_a_brew_runs() -> None:
    """From the start; a brew sets it free, and the condition that was there all the time is told then."""
    world = hot(rule(HOT, only_while=(BREWING,)))
    world.brew(20 * MIN)
    world.tick(30 * MIN)
    assert states(world) == ["suppressed suppressed", "raised suppressed", "unsuppressed unacknowledged"]
    assert world.told[0].note == "only while brew running"
    assert [one.raised_ms for one in world.told if one.annunciates] == [20 * MIN]


def test_suppressed_for_a_while_after_watering() -> None:
    """Ten minutes after a note of watering, by time alone; what was not there any more is not told."""
    world = hot(rule(HOT, not_while=(WATERED,)))
    world.note(DiaryKind.WATERED, "juniper", 20 * MIN)
    world.say(JT_TEMPERATURE, 25 * MIN, 20.0)
    world.tick(40 * MIN)
    assert states(world) == [
        "raised unacknowledged",
        "suppressed suppressed",
        "cleared suppressed",
        "unsuppressed normal",
    ]
    assert [one.t_ms // MIN for one in world.told if one.key.series == JT_TEMPERATURE] == [10, 20, 25, 30]


def test_every_condition_under_only_while_must_hold() -> None:
    """One that does not is enough; the first of them is named."""
    both = rule(HOT, only_while=(parse_condition("tray in service"), BREWING))
    world = hot(both)
    assert state(world) is State.SUPPRESSED
    assert world.told[0].note == "only while brew running"


def test_a_rule_that_gains_a_condition_is_suppressed_from_then_on() -> None:
    """At the start with the new rule set."""
    world = hot()
    world.rules = (rule(HOT, only_while=(BREWING,)),)
    world.restart()
    assert states(world) == ["raised unacknowledged", "suppressed suppressed"]


def test_what_is_noted_must_count_from_after_what_was_judged() -> None:
    """A caller that says otherwise is refused: a replay could not agree."""
    world = hot()
    with pytest.raises(ValueError, match="counts only from after"):
        world.engine.contexts_changed(world.contexts, 10 * MIN)


# ---- latching ----------------------------------------------------------------------------------------------------

LATCHING = rule(HOT, latching=True)


def acknowledge(world: World, now: int) -> str | None:
    told, problem = world.engine.acknowledge("bedding-hot", AT, "teacher", now)
    world.told += told
    return problem


def test_a_latched_alarm_stays_until_somebody_has_looked() -> None:
    """The condition goes, the alarm does not; acknowledging it then is the reset."""
    world = hot(LATCHING)
    world.say(JT_TEMPERATURE, 20 * MIN, 20.0)
    world.restart()
    assert state(world) is State.UNACKNOWLEDGED
    assert acknowledge(world, 30 * MIN) is None
    assert states(world) == ["raised unacknowledged", "latched unacknowledged", "reset normal"]
    assert (world.told[-1].by, world.told[-1].worst) == ("teacher", 31.0)
    assert world.state("bedding-hot", JT_TEMPERATURE).worst is None


def test_acknowledged_before_it_went_it_wants_a_reset_all_the_same() -> None:
    """Seen while it was there is not seen that it has gone."""
    world = hot(LATCHING)
    acknowledge(world, 15 * MIN)
    world.say(JT_TEMPERATURE, 20 * MIN, 20.0)
    assert state(world) is State.ACKNOWLEDGED
    assert acknowledge(world, 30 * MIN) is None
    assert states(world)[-2:] == ["latched acknowledged", "reset normal"]


@pytest.mark.parametrize("seen", [False, True])
def test_a_latched_alarm_whose_condition_comes_back(seen: bool) -> None:
    """It is the same occurrence; where it had been acknowledged people are called again."""
    world = hot(LATCHING)
    if seen:
        acknowledge(world, 15 * MIN)
    world.say(JT_TEMPERATURE, 20 * MIN, 20.0)
    world.say(JT_TEMPERATURE, 30 * MIN, 33.0)
    assert state(world) is State.UNACKNOWLEDGED
    assert world.told[-1].event is (Event.RE_ALARMED if seen else Event.RAISED)
    assert world.told[-1].annunciates is seen
    assert world.told[-1].raised_ms == 10 * MIN


def test_a_pending_return_does_not_forget_a_latched_alarm() -> None:
    """Hot for less than the on-delay while latched: since and worst stay those of the occurrence."""
    world = hot(rule(LATCHING, on_delay_ms=5 * MIN))
    world.say(JT_TEMPERATURE, 15 * MIN, 34.0)
    for at, value in ((20, 20.0), (21, 30.5), (22, 20.0)):
        world.say(JT_TEMPERATURE, at * MIN, value)
    saved = world.state("bedding-hot", JT_TEMPERATURE)
    assert (saved.state in STANDING, saved.active, saved.since_ms, saved.worst) == (True, False, 10 * MIN, 34.0)


def test_a_rule_that_latches_no_more_lets_go() -> None:
    """At the start with the changed rule a latched alarm returns as others do."""
    world = hot(LATCHING)
    world.say(JT_TEMPERATURE, 20 * MIN, 20.0)
    world.rules = (HOT,)
    world.restart()
    assert states(world)[-1] == "cleared returned-unacknowledged"


# ---- re-alarm ----------------------------------------------------------------------------------------------------


def test_an_acknowledged_alarm_calls_again_after_its_time() -> None:
    """Acknowledged at 15 min, still there 30 min later: unacknowledged again, also over a restart."""
    world = hot(rule(HOT, re_alarm_ms=30 * MIN))
    acknowledge(world, 15 * MIN)
    world.restart()
    world.tick(45 * MIN - 1)
    assert state(world) is State.ACKNOWLEDGED
    world.tick(50 * MIN)
    change = world.told[-1]
    assert (change.event, change.t_ms, change.after) == (Event.RE_ALARMED, 45 * MIN, State.UNACKNOWLEDGED)
    world.tick(10 * HOUR)
    assert world.told[-1] is change, "not again until it has been acknowledged again"
    assert world.engine.clock_ms(JT_TEMPERATURE) == 10 * MIN


def test_an_alarm_that_has_gone_does_not_call_again() -> None:
    """Cleared before its time: nothing."""
    world = hot(rule(HOT, re_alarm_ms=30 * MIN))
    acknowledge(world, 15 * MIN)
    world.say(JT_TEMPERATURE, 20 * MIN, 20.0)
    world.tick(10 * HOUR)
    assert states(world)[-1] == "cleared normal"
