"""Silent probes and the link to the broker."""

import numpy as np
import pytest

from collector.alarms.chunk import SMALL
from collector.alarms.model import Event, Link, Newest, State
from tests.alarms.bench_lab import BROKER, HOT, MIN, NAN, SILENT, Run, rule, series


def test_silence_is_told_at_setpoint_plus_on_delay_after_the_last_usable_reading() -> None:
    """Failed readings and missing values are no sign of life; doubtful ones are."""
    run = Run((rule(SILENT, on_delay_ms=5 * MIN),))
    run.read([MIN, 2 * MIN, 3 * MIN, 4 * MIN, 5 * MIN], [20, 20, 20, NAN, 20], [1, 3, 4, 1, 9])
    assert run.engine.next_deadline_ms() == (2 + 35) * MIN
    run.tick(60 * MIN)
    (raised,) = run.told
    assert (raised.t_ms, raised.since_ms, raised.value) == (37 * MIN, 2 * MIN, None)


def test_a_reading_at_the_last_moment_is_in_time() -> None:
    """At exactly the deadline the reading is looked at first; a millisecond later it was silent."""
    run = Run((SILENT,))
    run.read([0], [20.0])
    run.read([30 * MIN], [20.0])
    assert run.brief() == []
    run.read([60 * MIN + 1], [20.0])
    assert run.brief() == ["raised 60", f"cleared {(60 * MIN + 1) / MIN:g}"]


@pytest.mark.parametrize("lead", [0, SMALL + 1], ids=["few readings", "many readings"])
def test_gaps_inside_a_chunk_are_told_at_their_times(lead: int) -> None:
    """Replay without ticks finds each silence between readings, and those at the end that failed readings show."""
    run = Run((rule(SILENT, off_delay_ms=2 * MIN),))
    minutes = [*range(-lead, 0), 0, 1, 40, 41, 42, 43, 100, 130]
    flags = [1] * (lead + 7) + [4]
    run.read([minute * MIN for minute in minutes], [20.0] * len(minutes), flags)
    assert run.brief() == ["raised 31", "cleared 42", "raised 73", "cleared 102", "raised 130"]


@pytest.mark.parametrize("count", [3, SMALL + 1], ids=["few readings", "many readings"])
def test_only_failed_readings_is_silence(count: int) -> None:
    """A probe that reports nothing but failures goes silent although messages come."""
    run = Run((SILENT,))
    run.read([minute * MIN for minute in range(1, 32 + count)], [20.0] * (31 + count), 4)
    assert run.brief() == ["raised 30"]


def test_a_series_never_heard_counts_from_its_creation() -> None:
    """A new probe that never speaks is told of too."""
    run = Run((SILENT,), link=Link(True, 7 * MIN))
    run.tick(36 * MIN)
    assert run.told == []
    run.tick(37 * MIN)
    assert run.brief() == ["raised 37"]


def test_clearing_waits_for_the_off_delay() -> None:
    """The alarm clears off-delay after the first usable reading, by a tick where no other reading comes."""
    run = Run((rule(SILENT, off_delay_ms=3 * MIN),))
    run.tick(30 * MIN)
    run.read([40 * MIN], [20.0])
    run.tick(43 * MIN)
    assert run.brief() == ["raised 30", "cleared 43"]
    assert run.engine.next_deadline_ms() == 70 * MIN


def test_readings_on_time_write_nothing() -> None:
    """A probe that reports regularly never touches the stored state of its silent alarm."""
    run = Run((SILENT,))
    run.read([minute * MIN for minute in range(50)], [20.0] * 50)
    run.read([50 * MIN], [20.0])
    assert run.engine.changed_states() == {}


def test_while_the_link_is_down_probes_are_not_silent_but_the_broker_is() -> None:
    """One alarm for the link stands; afterwards probes have their whole time again, counted from the link."""
    run = Run((rule(SILENT), rule(BROKER, on_delay_ms=MIN)))
    run.read([MIN], [20.0])
    run.set_link(False, 10 * MIN)
    run.tick(100 * MIN)
    assert run.brief() == ["raised 21"]
    assert (run.told[0].key.series, run.told[0].since_ms) == (0, 10 * MIN)
    run.set_link(True, 110 * MIN)
    assert run.brief() == ["raised 21", "cleared 110"]
    run.tick(139 * MIN)
    assert run.brief("probe-silent") == []
    run.tick(140 * MIN)
    assert run.brief("probe-silent") == ["raised 140"]


def test_a_silence_from_before_the_link_broke_stands() -> None:
    """Due before the link went down: told with its own time, tick or no tick in between."""
    run = Run((SILENT,))
    run.set_link(False, 31 * MIN)
    assert run.brief() == ["raised 30"]
    assert run.engine.clock_ms(1) == 30 * MIN


def test_readings_kept_by_the_broker_count_when_they_come() -> None:
    """After the link is back older readings are judged as usual and raise no silence."""
    run = Run((SILENT, HOT))
    run.read([MIN], [20.0])
    run.set_link(False, 2 * MIN)
    run.set_link(True, 200 * MIN)
    run.read([100 * MIN, 180 * MIN], [20.0, 31.0])
    assert run.brief() == ["raised 180"]
    assert run.engine.next_deadline_ms() == 230 * MIN


def test_readings_that_arrive_while_the_link_is_down_are_heard() -> None:
    """What was on its way when the link broke still counts as a sign of life."""
    run = Run((SILENT,))
    run.set_link(False, MIN)
    run.read([2 * MIN], [20.0])
    run.set_link(True, 2 * MIN)
    assert run.engine.next_deadline_ms() == 32 * MIN


@pytest.mark.parametrize("count", [5, SMALL + 1], ids=["few readings", "many readings"])
def test_a_standing_silence_clears_by_what_still_arrives_while_the_link_is_down(count: int) -> None:
    """Gaps between those readings say nothing, for the link was down: the alarm clears and does not come again."""
    run = Run((SILENT,))
    run.tick(30 * MIN)
    run.set_link(False, 31 * MIN)
    run.read([(40 + 50 * number) * MIN for number in range(count)], [20.0] * count)
    assert run.brief() == ["raised 30", "cleared 40"]


def test_a_link_that_flaps_holds_its_alarm() -> None:
    """Down again inside the off-delay: the alarm has not cleared and does not come twice."""
    run = Run((rule(BROKER, off_delay_ms=5 * MIN),))
    run.set_link(False, 0)
    run.tick(10 * MIN)
    run.set_link(True, 12 * MIN)
    run.set_link(True, 13 * MIN)
    run.set_link(False, 14 * MIN)
    run.tick(60 * MIN)
    assert run.brief() == ["raised 10"]
    run.set_link(True, 70 * MIN)
    run.tick(80 * MIN)
    assert run.brief() == ["raised 10", "cleared 75"]


def test_link_news_that_is_none_changes_nothing() -> None:
    """Up while up is no event, and a link that went down in the past went down when it was last known up."""
    run = Run((BROKER,), link=Link(True, 5 * MIN))
    run.set_link(True, 6 * MIN)
    run.set_link(False, MIN)
    assert run.engine.next_deadline_ms() == 15 * MIN


@pytest.mark.parametrize(
    ("was", "now_up", "told"),
    [
        ("standing", True, ["cleared 23"]),
        ("standing", False, []),
        ("clearing", False, []),
        ("clearing, over", False, ["cleared 14", "raised 30"]),
    ],
)
def test_a_start_finds_the_link_as_it_is(was: str, now_up: bool, told: list[str]) -> None:
    """A broker alarm from before a restart follows the link that the start finds."""
    run = Run((rule(BROKER, off_delay_ms=3 * MIN),))
    run.set_link(False, 0)
    run.tick(10 * MIN)
    if was != "standing":
        run.set_link(True, 11 * MIN if "over" in was else 18 * MIN)
    run.commit()
    run.told.clear()
    run.link = Link(now_up, 20 * MIN)
    run.restart()
    run.tick(30 * MIN)
    assert run.brief() == told


def test_a_standing_silence_outlives_a_restart() -> None:
    """It stands without being told again and clears at the next usable reading."""
    run = Run((SILENT,))
    run.read([MIN], [20.0])
    run.tick(31 * MIN)
    run.restart()
    run.tick(300 * MIN)
    assert run.brief() == ["raised 31"]
    (state,) = run.engine.states().values()
    assert state.state is State.UNACKNOWLEDGED
    run.read([31 * MIN], [20.0])
    assert run.brief() == ["raised 31"], "not newer than the timer the tick let end: late"
    run.read([301 * MIN], [20.0])
    assert run.brief() == ["raised 31", "cleared 301"]


def test_plain_pairs_do_for_newest() -> None:
    """The engine takes (newest, newest usable) as well; without a usable one the creation counts."""
    run = Run((SILENT,), newest={1: Newest(*(20 * MIN, 10 * MIN))})
    assert run.engine.clock_ms(1) == 20 * MIN
    assert run.engine.next_deadline_ms() == 40 * MIN
    run = Run((SILENT,), newest={1: Newest(20 * MIN)})
    assert run.engine.next_deadline_ms() == 30 * MIN


def test_each_series_is_silent_by_itself() -> None:
    """Readings of one series are no sign of life of another; next_deadline is the earliest of all."""
    run = Run((SILENT,), (series(1), series(2, place="juniper/middle")))
    run.read([10 * MIN], [20.0], of=1)
    run.read([5 * MIN], [20.0], of=2)
    assert run.engine.next_deadline_ms() == 35 * MIN
    run.tick(38 * MIN)
    assert [(one.key.series, one.event) for one in run.told] == [(2, Event.RAISED)]
    assert run.engine.next_deadline_ms() == 40 * MIN
    assert run.engine.late_mask(1, np.array([36 * MIN])).tolist() == [False]
