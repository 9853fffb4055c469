"""Acknowledging, rules that went away, and which series a rule holds for."""

from dataclasses import replace

import numpy as np
import pytest

from collector.alarms.contexts import Contexts
from collector.alarms.gates import Gate
from collector.alarms.kinds.alarm import Ledger, Seat
from collector.alarms.kinds.threshold import Threshold
from collector.alarms.model import AlarmKey, AlarmState, Event, Newest, State
from collector.alarms.places import fits, is_pattern
from collector.alarms.start import BEFORE_ALL
from collector.alarms.timers import Timers
from tests.alarms.bench_lab import BROKER, HOT, MIN, SILENT, Run, quillbrook, rule, series

HOT_KEY = AlarmKey("bedding-hot", 1)


def test_acknowledging_is_recorded_with_who_and_when() -> None:
    """The transition carries role, wall time and the occurrence; the clock of the series does not move."""
    run = Run((HOT,))
    run.read([MIN], [31.0])
    run.commit()
    assert run.acknowledge("bedding-hot", 500 * MIN) is None
    acknowledged = run.told[-1]
    assert (acknowledged.event, acknowledged.before, acknowledged.after) == (
        Event.ACKNOWLEDGED,
        State.UNACKNOWLEDGED,
        State.ACKNOWLEDGED,
    )
    assert (acknowledged.by, acknowledged.t_ms, acknowledged.raised_ms) == ("teacher", 500 * MIN, MIN)
    run.restart()
    assert run.engine.clock_ms(1) == MIN
    run.read([2 * MIN], [20.0])
    assert run.told[-1].after is State.NORMAL


@pytest.mark.parametrize(
    ("name", "place", "said"),
    [
        ("beding-hot", "juniper/top", "no alarm is called 'beding-hot'; did you mean 'bedding-hot'?"),
        ("zzz", "juniper/top", "no alarm is called 'zzz'"),
        ("bedding-hot", "juniper/tip", "no place is called 'juniper/tip'; did you mean 'juniper/top'?"),
        ("bedding-hot", "maple/top", "'bedding-hot' does not hold at 'maple/top'; it holds at juniper/top"),
        ("bedding-hot", "juniper/top", "'bedding-hot' at juniper/top is normal; there is nothing to acknowledge"),
        ("broker-lost", "broker", "'broker-lost' at broker is normal; there is nothing to acknowledge"),
        ("elsewhere", "room", "'elsewhere' holds nowhere in this lab"),
    ],
)
def test_what_cannot_be_acknowledged_is_said(name: str, place: str, said: str) -> None:
    """Each reason in words, with what was likely meant; nothing changes."""
    run = Run((HOT, BROKER, rule(HOT, name="elsewhere", where=("room",))))
    problem = run.acknowledge(name, 0, place)
    assert problem is not None
    assert problem.startswith(said)
    assert (run.told, run.engine.changed_states()) == ([], {})


def test_acknowledging_twice_says_so() -> None:
    """The second one to press is told that someone was first."""
    run = Run((HOT,))
    run.read([MIN], [31.0])
    assert run.acknowledge("bedding-hot", 2 * MIN) is None
    assert run.acknowledge("bedding-hot", 3 * MIN) == "'bedding-hot' at juniper/top is acknowledged already"


def test_acknowledging_covers_all_probes_at_the_place() -> None:
    """Two probes of one tray stand under one name for people."""
    run = Run((HOT,), (series(1), series(2)))
    run.read([MIN], [31.0], of=1)
    run.read([MIN], [32.0], of=2)
    assert run.acknowledge("bedding-hot", 2 * MIN) is None
    assert {one.key.series for one in run.told if one.event is Event.ACKNOWLEDGED} == {1, 2}


def test_the_broker_alarm_can_be_acknowledged() -> None:
    """Its place is called 'broker'."""
    run = Run((BROKER,))
    run.set_link(False, 0)
    run.tick(10 * MIN)
    assert run.acknowledge("broker-lost", 11 * MIN, "broker") is None


@pytest.mark.parametrize("gone", ["rule", "series"])
def test_an_alarm_whose_rule_or_series_is_gone_is_closed(gone: str) -> None:
    """Told once with the state it was in, and written back as normal so that the next start has nothing to close."""
    run = Run((HOT,))
    run.read([MIN], [31.0])
    run.commit()
    run.told.clear()
    run.rules, run.series = ((), run.series) if gone == "rule" else (run.rules, ())
    engine = run.rebuild()
    (closed,) = engine.opening(99 * MIN)
    assert (closed.key, closed.event, closed.before, closed.after) == (
        HOT_KEY,
        Event.RULE_REMOVED,
        State.UNACKNOWLEDGED,
        State.NORMAL,
    )
    assert (closed.t_ms, closed.raised_ms, closed.worst) == (99 * MIN, MIN, 31.0)
    assert engine.opening(99 * MIN) == []
    run.states |= engine.changed_states()
    assert engine.changed_states() == {}
    assert run.rebuild().opening(100 * MIN) == []


def test_states_at_rest_of_rules_that_are_gone_are_no_news() -> None:
    """A normal alarm whose rule is removed says nothing."""
    run = Run((HOT,))
    run.read([MIN, 2 * MIN], [31.0, 20.0])
    run.acknowledge("bedding-hot", 3 * MIN)
    run.commit()
    run.rules = ()
    engine = run.rebuild()
    assert (engine.opening(0), engine.changed_states()) == ([], {})


def test_a_rule_that_became_silent_starts_without_the_old_timer() -> None:
    """An on-delay left by a rule of the same name but another kind is dropped, of probes and of the link."""
    run = Run((rule(HOT, on_delay_ms=10 * MIN),))
    run.read([MIN], [31.0])
    run.commit()
    run.rules = (rule(SILENT, name="bedding-hot"),)
    run.engine = run.rebuild()
    assert run.engine.next_deadline_ms() == 31 * MIN
    state = run.states[HOT_KEY]
    run.states[AlarmKey("broker-lost", 0)] = replace(state, key=AlarmKey("broker-lost", 0))
    run.rules = (BROKER,)
    assert run.rebuild().next_deadline_ms() is None


def test_the_clock_of_a_series_never_heard_is_before_all_time() -> None:
    """Any reading is on time then, and the number fits where times are compared."""
    assert Run((HOT,)).engine.clock_ms(1) == BEFORE_ALL
    assert Run((HOT,), newest={1: Newest(5)}).engine.clock_ms(1) == 5


@pytest.mark.parametrize(
    ("pattern", "place", "covers"),
    [
        ("juniper/top", "juniper/top", True),
        ("juniper/*", "juniper/top", True),
        ("*/top", "maple/top", True),
        ("juniper/*", "juniper", False),
        ("juniper", "juniper/top", False),
        ("*", "room", True),
        ("*", "juniper/top", False),
        ("room", "room", True),
        ("maple/*", "juniper/top", False),
    ],
)
def test_place_patterns(pattern: str, place: str, covers: bool) -> None:
    """A star stands for one whole level, never for more."""
    assert is_pattern(pattern)
    assert fits(pattern, place) is covers


@pytest.mark.parametrize("text", ["", "/", "a/", "a/b/c", "jun*/top", "a b", "#", "+/x"])
def test_what_is_no_place_pattern(text: str) -> None:
    """Half stars, MQTT wildcards and empty levels are no patterns."""
    assert not is_pattern(text)


def test_a_rule_holds_for_its_measure_at_its_places() -> None:
    """Alarms are made for matching series only; a broker rule makes one and none for series."""
    places = (series(1), series(2, "bedding_moisture"), series(3, place="maple/top"))
    run = Run((rule(HOT, where=("juniper/*",)), rule(SILENT, where=("maple/top", "room")), BROKER), places)
    assert set(run.engine.states()) == {HOT_KEY, AlarmKey("probe-silent", 3), AlarmKey("broker-lost", 0)}


def test_a_timer_moved_to_an_earlier_time_is_found_first() -> None:
    """The timer queue never ends an alarm late or twice, whichever way its deadline moves."""
    ledger, timers = Ledger(), Timers()
    gate = Gate(HOT, "juniper/top", Contexts(quillbrook()))
    one, other = (
        Threshold(Seat(rule=HOT, saved=AlarmState(key=AlarmKey("a", n)), ledger=ledger, gate=gate), 1.0) for n in (1, 2)
    )
    for alarm, deadline in ((one, 10), (other, 20), (one, 5), (one, 15), (other, 7), (one, 3)):
        alarm.deadline = deadline
        timers.add(alarm)
    assert timers.next() == (3, one)
    one.deadline = 12
    assert timers.next() == (7, other)
    other.deadline = None
    assert timers.next() == (12, one)
    one.deadline = None
    assert timers.next() is None
    other.deadline = 1
    timers.add(other)
    assert timers.next() == (1, other)


def test_readings_not_in_order_are_refused() -> None:
    """Judging readings that go back in time within one chunk is a mistake of the caller and said."""
    run = Run(())
    with pytest.raises(ValueError, match="newer than the clock"):
        run.engine.judge(1, np.array([2, 1]), np.array([1.0, 1.0]), np.array([1, 1], np.uint8))
