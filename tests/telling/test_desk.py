"""Who hears what when: one alarm and its people, step by step."""

from dataclasses import replace

import pytest

from collector.alarms.model import Event, Priority
from collector.domain.lab import Person
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Fate, Reason
from tests.telling.desk_world import CARETAKER, HEAD, LOW, MEDIUM, NIGHT, NOON, TEACHER, World, at, lab, rule
from tests.worlds.values import DAY, HOUR, MIN

HIGH = rule()
EVERYBODY = (TEACHER, CARETAKER, HEAD)


def brief(plans: list[MessagePlan]) -> list[tuple[str, str, str]]:
    """(role, event, why) of each item."""
    return [(p.person.role, item.transition.event.value, item.why.value) for p in plans for item in p.items]


@pytest.mark.parametrize("now_ms", [NOON, NIGHT])
def test_a_high_alarm_is_told_at_once_day_or_night(now_ms: int) -> None:
    """In the turn it is seen."""
    world = World(lab(), now_ms)
    world.raised(HIGH)
    assert brief(world.release()) == [("teacher", "raised", "news")]
    assert world.release() == []


def test_a_low_alarm_is_left_for_the_digest() -> None:
    """No message of its own, then or later; for someone without a digest it is dropped, and so is its end."""
    world = World(lab((TEACHER, replace(TEACHER, role="helper", email="helper@quillbrook.example", digest=False))))
    one = world.raised(LOW)
    world.change(one, Event.CLEARED)
    assert world.wait(2 * DAY, HOUR) == []
    assert world.fates("teacher") == [Fate.DIGEST, Fate.DIGEST]
    assert world.fates("helper") == [Fate.DROPPED]


def test_the_digest_tells_what_was_left_for_it() -> None:
    """Its key stands beside each, and a desk built anew knows it was sent."""
    world = World(lab())
    world.raised(LOW)
    world.desk.digested("teacher", "digest-2025-03-04-teacher", world.now_ms)
    world.kept.update(world.desk.changed())
    assert [(one.fate, one.message) for one in world.kept.values()] == [(Fate.TOLD, "digest-2025-03-04-teacher")]
    world.raised(HIGH, 2)
    world.rebuild()
    assert world.release() == []  # a minute after the digest
    assert len(world.wait(MIN)) == 1


def test_people_hear_of_their_places_and_priorities_only() -> None:
    """A bin named covers its trays; what is about the collector is for those who named no places."""
    juniper = replace(TEACHER, role="class 4b", where=("juniper",), email="a@quillbrook.example")
    maple = replace(TEACHER, role="class 5a", where=("maple/*",), email="b@quillbrook.example")
    world = World(lab((juniper, maple, TEACHER, replace(HEAD, turn=1, priorities=("low",)))))
    world.raised(HIGH, 1, "juniper/top")
    world.raised(HIGH, 2, "maple/top")
    world.raised(HIGH, 0, "broker")
    told = {p.person.role: [item.series.place for item in p.items] for p in world.release()}
    assert {role: sorted(places) for role, places in told.items()} == {
        "class 4b": ["juniper/top"],
        "class 5a": ["maple/top"],
        "teacher": ["broker", "juniper/top", "maple/top"],
    }


def test_an_address_of_two_roles_hears_it_once() -> None:
    """The first role in the lab file has it."""
    world = World(lab((TEACHER, replace(TEACHER, role="second teacher"))))
    world.raised(HIGH)
    assert brief(world.release()) == [("teacher", "raised", "news")]


# Escalation ----------------------------------------------------------------------------------------------------------


def test_unacknowledged_it_goes_from_step_to_step() -> None:
    """4 h to respond, 40 %: turn 2 after 96 minutes, turn 3 after 192; each hears who else was told."""
    world = World(lab(EVERYBODY))
    world.raised(HIGH)
    assert brief(world.release()) == [("teacher", "raised", "news")]
    told = [(ms, p) for ms, p in _timed(world, 4 * HOUR) if p.items[0].why is Reason.PASSED_ON]
    assert [(ms - NOON, p.person.role) for ms, p in told] == [(96 * MIN, "caretaker"), (192 * MIN, "head")]
    assert [p.others for _, p in told] == [("teacher",), ("teacher", "caretaker")]


def _timed(world: World, for_ms: int) -> list[tuple[int, MessagePlan]]:
    before = len(world.plans)
    world.wait(for_ms)
    return world.plans[before:]


@pytest.mark.parametrize(
    ("after_min", "called"),
    [(1, []), (95, []), (97, ["caretaker"]), (191, ["caretaker"]), (193, ["caretaker", "head"])],
)
@pytest.mark.parametrize("rebuilds", [False, True])
def test_an_acknowledgement_stops_the_next_step(after_min: int, called: list[str], rebuilds: bool) -> None:
    """At whichever moment it comes, also over restarts."""
    world = World(lab(EVERYBODY), rebuilds=rebuilds)
    one = world.raised(HIGH)
    world.release()
    world.wait(after_min * MIN)
    world.change(one, Event.ACKNOWLEDGED)
    world.wait(8 * HOUR, 10 * MIN)
    passed_on = [p.person.role for _, p in world.plans if p.items[0].why is Reason.PASSED_ON]
    assert passed_on == called


def test_without_a_first_step_the_lowest_there_is_hears_at_once() -> None:
    """A lab whose teacher wants only low alarms: the caretaker is told, the head a turn later."""
    world = World(lab((replace(TEACHER, priorities=("low",)), CARETAKER, HEAD)))
    world.raised(HIGH)
    assert brief(world.release()) == [("caretaker", "raised", "news")]
    told = [p.person.role for _, p in _timed(world, 4 * HOUR) if p.items[0].why is Reason.PASSED_ON]
    assert told == ["head"]


def test_what_is_called_anew_escalates_anew() -> None:
    """Acknowledged, and annunciated again because it still stands: the turns count from then."""
    world = World(lab((TEACHER, CARETAKER)))
    one = world.raised(HIGH)
    world.release()
    world.change(one, Event.ACKNOWLEDGED)
    world.wait(3 * HOUR, 10 * MIN)
    world.change(one, Event.RE_ALARMED)
    again_ms = world.now_ms
    assert ("teacher", "re-alarmed", "news") in brief(world.release())
    told = [(ms, p.person.role) for ms, p in _timed(world, 2 * HOUR) if p.items[0].why is Reason.PASSED_ON]
    assert told == [(again_ms + 96 * MIN, "caretaker")]


def test_a_step_that_waits_for_the_morning_is_dropped_when_somebody_answers() -> None:
    """A medium alarm at ten at night: the caretaker's call waits for seven, and is needless by then."""
    world = World(lab((TEACHER, CARETAKER)), NIGHT)
    one = world.raised(MEDIUM)
    world.wait_until(at(3, 4, 5), 30 * MIN)
    world.change(one, Event.ACKNOWLEDGED)
    assert brief(world.wait(24 * HOUR, 30 * MIN)) == [("teacher", "raised", "news")]


# Reminders -----------------------------------------------------------------------------------------------------------


def test_a_high_alarm_that_stands_is_called_to_mind_ever_less_often() -> None:
    """4 h to respond: after 2 h, then 4, 8, 16 and every 24 h; not once it is over."""
    world = World(lab())
    one = world.raised(HIGH)
    world.release()
    told = _timed(world, 80 * HOUR)
    assert [(ms - NOON) // HOUR for ms, _ in told] == [2, 6, 14, 30, 54, 78]
    assert {p.items[0].why for _, p in told} == {Reason.REMINDER}
    world.change(one, Event.CLEARED)
    assert brief(world.wait(48 * HOUR, HOUR)) == [("teacher", "cleared", "news")]


def test_once_acknowledged_reminders_come_later() -> None:
    """The first one 4 h after the acknowledgement (or its time to respond), then twice that."""
    world = World(lab(), rebuilds=True)
    one = world.raised(HIGH)
    world.release()
    world.wait(3 * HOUR, 10 * MIN)
    world.change(one, Event.ACKNOWLEDGED)
    told = [(ms - world_ms) // HOUR for world_ms in [world.now_ms] for ms, _ in _timed(world, 14 * HOUR)]
    assert told == [4, 12]


@pytest.mark.parametrize("which", [MEDIUM, LOW])
def test_others_are_not_called_to_mind(which: object) -> None:
    """Only what is high is worth a second call."""
    world = World(lab())
    world.raised(MEDIUM if which is MEDIUM else LOW)
    world.release()
    assert world.wait(3 * DAY, HOUR) == []


# The end -------------------------------------------------------------------------------------------------------------


def test_its_end_is_told_once_to_those_who_heard() -> None:
    """To the teacher, who was called, and not to the caretaker, who never was; in the same thread."""
    world = World(lab((TEACHER, CARETAKER)))
    one = world.raised(HIGH)
    (first,) = world.release()
    world.wait(30 * MIN)
    world.change(one, Event.CLEARED)
    (end,) = world.release()
    assert (end.person.role, end.items[0].transition.event) == ("teacher", Event.CLEARED)
    assert end.items[0].thread == first.key == end.threads[0]
    assert world.wait(2 * DAY, HOUR) == []


def test_what_came_and_went_before_it_could_be_told_is_one_item() -> None:
    """A second alarm within the minute that spaces messages: told as over, with how it ended."""
    world = World(lab())
    world.raised(HIGH, 1)
    world.release()
    short = world.raised(HIGH, 2)
    world.change(short, Event.CLEARED)
    (told,) = world.wait(MIN)
    (item,) = told.items
    assert item.transition.event is Event.RAISED
    assert item.ended is not None
    assert item.ended.event is Event.CLEARED
    assert told.held == 1, "alarms, not what is told of each"


def test_a_medium_alarm_of_the_night_that_is_over_by_morning_is_left_for_the_digest() -> None:
    """Nobody needs a message about it; someone who gets no digest hears at seven that it came and went."""
    world = World(lab((TEACHER, replace(CARETAKER, turn=1))), NIGHT)
    one = world.raised(MEDIUM)
    world.wait(2 * HOUR, 30 * MIN)
    world.change(one, Event.CLEARED)
    (told,) = world.wait_until(at(3, 4, 8), 30 * MIN)
    assert (told.person.role, told.items[0].ended is not None) == ("caretaker", True)
    assert world.fates("teacher") == [Fate.DIGEST, Fate.DIGEST]


def test_the_end_of_a_medium_alarm_waits_for_the_morning() -> None:
    """Told by day, over at night."""
    world = World(lab(), at(3, 3, 20))
    one = world.raised(MEDIUM)
    world.release()
    world.wait_until(NIGHT, 30 * MIN)
    world.change(one, Event.CLEARED)
    assert world.wait_until(at(3, 4, 6, 59), HOUR) == []
    assert brief(world.wait(2 * MIN)) == [("teacher", "cleared", "news")]


@pytest.mark.parametrize("event", [Event.SHELVED, Event.SUPPRESSED, Event.TAKEN_OUT])
def test_what_is_put_aside_before_it_is_told_is_not_told(event: Event) -> None:
    """By somebody's order, or because another alarm stands for it; and what waits of an end stays."""
    world = World(lab())
    world.raised(HIGH, 1)
    world.release()
    one = world.raised(HIGH, 2)
    world.change(one, event)
    assert world.wait(2 * HOUR - MIN) == []


def test_a_latched_alarm_is_news_to_all_who_know_of_it() -> None:
    """Its condition has gone and it stays; reset by somebody, nobody hears more."""
    world = World(lab())
    one = world.raised(HIGH)
    world.release()
    world.wait(5 * MIN)
    world.change(one, Event.LATCHED)
    assert brief(world.release()) == [("teacher", "latched", "news")]
    world.change(one, Event.RESET)
    assert world.wait(3 * DAY, HOUR) == []


def test_an_acknowledgement_before_it_is_told_does_not_hide_it() -> None:
    """The class saw it on the page; the teacher still hears."""
    world = World(lab())
    one = world.raised(HIGH)
    world.change(one, Event.ACKNOWLEDGED)
    assert brief(world.release()) == [("teacher", "raised", "news")]


# Other people, other rules -------------------------------------------------------------------------------------------


def test_an_alarm_that_only_somebody_who_left_has_heard_of_calls_anew() -> None:
    """lab.yaml names another teacher: what stands is told to them; the old one's notices are dropped."""
    world = World(lab())
    world.raised(HIGH)
    world.release()
    world.raised(HIGH, 2)
    world.rebuild(lab((Person(role="new teacher", email="new@quillbrook.example"),)))
    (told,) = world.release()
    assert (told.person.role, len(told.items)) == ("new teacher", 2)
    assert world.fates("teacher") == [Fate.TOLD, Fate.DROPPED]


def test_what_is_left_for_a_digest_that_nobody_gets_any_more_is_dropped() -> None:
    """The teacher wants no digest from today."""
    world = World(lab())
    world.raised(LOW)
    world.rebuild(lab((replace(TEACHER, digest=False),)))
    assert world.fates() == [Fate.DROPPED]


def test_what_waits_of_a_rule_that_is_gone_at_a_start_is_dropped() -> None:
    """Nobody could say any more what to do about it."""
    world = World(lab(), NIGHT)
    one = world.raised(MEDIUM)
    del world.alarms[one.key]
    world.alarms[one.key] = replace(one, rule=replace(MEDIUM, name="other"))
    world.rebuild()
    assert world.fates() == [Fate.DROPPED]
    assert world.wait(DAY, HOUR) == []


def test_whoever_is_no_longer_in_the_lab_file_is_reminded_of_nothing() -> None:
    """Both have heard of it; the caretaker has left since."""
    world = World(lab((TEACHER, CARETAKER)))
    world.raised(HIGH)
    world.wait(5 * HOUR)
    assert {plan.person.role for _, plan in world.plans} == {"teacher", "caretaker"}
    world.rebuild(lab((TEACHER,)))
    assert {plan.person.role for plan in world.wait(DAY)} == {"teacher"}


def test_another_time_to_respond_counts_from_now_on() -> None:
    """The rule is changed while its alarm stands: the next turn comes by the new figure."""
    world = World(lab((TEACHER, CARETAKER)))
    world.raised(HIGH)
    world.release()
    world.desk.follow({HIGH.name: replace(HIGH, time_to_respond_ms=10 * HOUR)})
    told = [(ms - NOON, p.person.role) for ms, p in _timed(world, 5 * HOUR) if p.items[0].why is Reason.PASSED_ON]
    assert told == [(4 * HOUR, "caretaker")]


def test_a_clock_that_was_ahead_holds_nothing_back() -> None:
    """Noted for a morning a year ahead, then the clock is right again: told now."""
    world = World(lab(), NIGHT + 365 * DAY)
    world.raised(MEDIUM)
    assert world.release() == []
    world.now_ms = NOON
    assert brief(world.release()) == [("teacher", "raised", "news")]


def _told_after_a_year_ahead(acknowledged: bool) -> list[tuple[str, str, str]]:
    """What is told in thirty hours of a high alarm that began, and was told, while the clock was a year ahead."""
    world = World(lab((TEACHER, CARETAKER, HEAD)), NOON + 365 * DAY)
    one = world.raised(HIGH)
    world.release()
    if acknowledged:
        world.change(one, Event.ACKNOWLEDGED)
    world.now_ms = NOON
    world.rebuild()
    return brief(world.wait(30 * HOUR, 5 * MIN))


def test_a_clock_that_was_ahead_holds_up_no_further_step() -> None:
    """Nobody has acknowledged it: the other turns hear of it at once, each once, and reminders grow rare as ever."""
    told = _told_after_a_year_ahead(acknowledged=False)
    assert [role for role, _, why in told if why == Reason.PASSED_ON] == ["caretaker", "head"]
    assert sum(role == "teacher" for role, _, why in told if why == "reminder") == 4, "after 0, 2, 6 and 14 h"


def test_a_clock_that_was_ahead_ends_no_reminders() -> None:
    """Acknowledged in a year's time, and it still stands: whoever was told is reminded all the same."""
    told = _told_after_a_year_ahead(acknowledged=True)
    assert {(role, why) for role, _, why in told} == {("teacher", "reminder")}
    assert 1 <= len(told) <= 4


def test_priorities_have_a_rank() -> None:
    """The desk knows every priority there is."""
    world = World(lab())
    for number, priority in enumerate(Priority, 1):
        world.raised(rule(f"bedding-{priority}", priority), number)
    (told,) = world.release()
    assert [item.rule.priority for item in told.items] == [Priority.HIGH, Priority.MEDIUM]
