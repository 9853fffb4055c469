"""High and low: setpoint, deadband, delays, and what doubtful readings may and may not do."""

import pytest

from collector.alarms.chunk import SMALL
from collector.alarms.model import Kind, State
from tests.alarms.bench_lab import HOT, MIN, NAN, Run, rule

COLD = rule(HOT, name="bedding-cold", kind=Kind.LOW, setpoint=4.0, deadband=1.0)


def by_minute(run: Run, values: list[float], flags: list[int] | int = 1, start: int = 0) -> None:
    """One reading a minute, the first at minute `start`."""
    run.read([(start + number) * MIN for number in range(len(values))], values, flags)


@pytest.mark.parametrize("many", [False, True], ids=["few readings", "many readings"])
@pytest.mark.parametrize(
    ("changes", "values", "flags", "told"),
    [
        ({}, [30.0, 30.0], 1, []),
        ({}, [29, 30.001], 1, ["raised 1"]),
        ({}, [31, 29.0, 29.0], 1, ["raised 0"]),
        ({}, [31, 29.0, 28.999], 1, ["raised 0", "cleared 2"]),
        ({"deadband": 0.0}, [31, 30.0, 29.9], 1, ["raised 0", "cleared 2"]),
        ({"on_delay_ms": 2 * MIN}, [31, 31, 31], 1, ["raised 2"]),
        ({"on_delay_ms": 2 * MIN}, [31, 31, 30, 31], 1, []),
        ({"on_delay_ms": 2 * MIN}, [31, 30, 31, 31, 31, 20], 1, ["raised 4", "cleared 5"]),
        ({"on_delay_ms": 90_000}, [31, 31, 20], 1, ["raised 1.5", "cleared 2"]),
        ({"off_delay_ms": 2 * MIN}, [31, 20, 20, 20], 1, ["raised 0", "cleared 3"]),
        ({"off_delay_ms": 2 * MIN}, [31, 20, 20, 29, 20, 20, 20], 1, ["raised 0", "cleared 6"]),
        ({"off_delay_ms": 2 * MIN}, [31, 20, 20, 31, 20], 1, ["raised 0"]),
        # a doubtful reading may raise, and may not clear or reset an on-delay
        ({}, [31, 20], [3, 1], ["raised 0", "cleared 1"]),
        ({}, [31, 20, 20], [1, 3, 2], ["raised 0", "cleared 2"]),
        ({"on_delay_ms": 2 * MIN}, [31, 20, 31], [1, 3, 1], ["raised 2"]),
        ({"on_delay_ms": 2 * MIN}, [31, 20, 20], [1, 3, 3], ["raised 2"]),
        # it may hold an alarm that was about to clear, and neither hastens nor hinders that by being calm
        ({"off_delay_ms": 2 * MIN}, [31, 20, 29.5, 20, 20], [1, 1, 3, 1, 1], ["raised 0"]),
        ({"off_delay_ms": 2 * MIN}, [31, 20, 20, 20], [1, 1, 3, 1], ["raised 0", "cleared 3"]),
        # what cannot tell raises nothing, clears nothing, and lets a running delay run
        ({}, [31, 31, NAN, float("inf")], [4, 9, 1, 1], []),
        ({}, [31, 20, 20, NAN], [1, 4, 9, 1], ["raised 0"]),
        ({"on_delay_ms": 2 * MIN}, [31, 20, NAN], [1, 4, 1], ["raised 2"]),
        ({"off_delay_ms": 2 * MIN}, [31, 20, 31, NAN], [1, 1, 4, 9], ["raised 0", "cleared 3"]),
        ({}, [31], [0], []),
        ({}, [31], [7], []),
    ],
)
def test_high(
    changes: dict[str, float], values: list[float], flags: list[int] | int, told: list[str], many: bool
) -> None:
    """Each row: the rule, one reading a minute, and what was told at which minute; in a small and in a large chunk."""
    run = Run((rule(HOT, **changes),))
    if many:
        quiet = SMALL + 1
        times = [-(quiet - n) * MIN for n in range(quiet)] + [n * MIN for n in range(len(values))]
        marks = [1] * quiet + ([flags] * len(values) if isinstance(flags, int) else flags)
        run.read(times, [25.0] * quiet + values, marks)
    else:
        by_minute(run, values, flags)
    assert run.brief() == told


def test_low_is_the_mirror_of_high() -> None:
    """Below the setpoint, strictly; clear only above setpoint plus deadband, strictly."""
    run = Run((COLD,))
    by_minute(run, [4.0, 3.9, 4.5, 5.0, 5.1, 3.0])
    assert run.brief() == ["raised 1", "cleared 4", "raised 5"]


@pytest.mark.parametrize("flag", [1, 3])
def test_alarms_on_one_series_share_a_large_chunk_and_do_not_mix(flag: int) -> None:
    """Two highs and a low of one series each tell their own crossings of the same readings."""
    run = Run((HOT, rule(HOT, name="bedding-warm", setpoint=27.0), COLD))
    values = [20.0] * SMALL + [28.0, 31.0, 20.0, 3.0, 20.0]
    run.read(range(len(values)), values, [1] * SMALL + [1, flag, 1, 1, 1])
    told = [(one.key.rule, one.event.value, one.t_ms - SMALL) for one in run.told]
    assert told == [
        ("bedding-warm", "raised", 0),
        ("bedding-hot", "raised", 1),
        ("bedding-hot", "cleared", 2),
        ("bedding-warm", "cleared", 2),
        ("bedding-cold", "raised", 3),
        ("bedding-cold", "cleared", 4),
    ]


def test_setpoint_zero_is_a_setpoint() -> None:
    """Nothing treats a setpoint of 0 as none."""
    run = Run((rule(COLD, setpoint=0.0, deadband=0.0),))
    by_minute(run, [0.0, -0.1, -0.0, 0.1])
    assert run.brief() == ["raised 1", "cleared 3"]


def test_a_tick_raises_at_the_deadline_however_late_it_comes() -> None:
    """Readings stop while an on-delay runs: the alarm has the time of its deadline and the last usable value."""
    run = Run((rule(HOT, on_delay_ms=10 * MIN),))
    run.read([0, MIN, 2 * MIN], [31.0, 32.5, 31.5])
    run.read([3 * MIN], [99.0], 4)
    assert run.engine.next_deadline_ms() == 10 * MIN
    run.tick(10 * MIN - 1)
    assert run.told == []
    run.tick(99 * MIN)
    (raised,) = run.told
    assert (raised.t_ms, raised.since_ms, raised.raised_ms, raised.value, raised.worst) == (
        10 * MIN,
        0,
        10 * MIN,
        31.5,
        32.5,
    )
    assert run.engine.clock_ms(1) == 10 * MIN
    assert run.engine.next_deadline_ms() is None


def test_a_reading_at_the_deadline_is_looked_at_first() -> None:
    """At a tie the reading that resets wins; one that does not, does not hinder."""
    run = Run((rule(HOT, on_delay_ms=2 * MIN),))
    run.read([0, 2 * MIN], [31.0, 30.0])
    assert run.brief() == []
    run.read([3 * MIN, 5 * MIN], [31.0, 31.0])
    assert run.brief() == ["raised 5"]


def test_worst_is_the_most_extreme_since_the_condition_began() -> None:
    """It counts from before the on-delay ended, takes doubtful readings in and failed ones not, and starts afresh."""
    run = Run((rule(HOT, on_delay_ms=MIN), rule(COLD, on_delay_ms=MIN)))
    by_minute(run, [33, 31, 34, 50, 31, 20, 31, 31], [1, 1, 3, 4, 1, 1, 1, 1])
    worst = [one.worst for one in run.told if one.key.rule == "bedding-hot"]
    assert worst == [33.0, 34.0, 31.0]
    by_minute(run, [1.0, -2.0, 3.0, 6.0], start=10)
    assert [one.worst for one in run.told if one.key.rule == "bedding-cold"] == [-2.0, -2.0]


def test_an_alarm_that_grows_worse_is_written_again() -> None:
    """A more extreme value while standing changes the stored state, in chunks small and large; nothing else does."""
    run = Run((HOT,))
    run.read([1], [31.0])
    run.commit()
    run.read([2], [30.5])
    assert run.engine.changed_states() == {}
    run.read([3], [35.0])
    (state,) = run.engine.changed_states().values()
    assert (state.worst, state.changed_ms) == (35.0, 1)
    run.read(range(4, 104), [36.0] * 100)
    (state,) = run.engine.changed_states().values()
    assert state.worst == 36.0


def test_quiet_readings_write_nothing() -> None:
    """Readings on which no alarm changes leave no state to write."""
    run = Run((HOT, COLD))
    by_minute(run, [20.0] * 5)
    by_minute(run, [20.0] * 100, start=5)
    assert run.engine.changed_states() == {}


def test_a_second_alarm_after_the_first_is_a_new_occurrence() -> None:
    """Raised again while returned and unacknowledged: unacknowledged once more, with its own times."""
    run = Run((HOT,))
    by_minute(run, [31, 20, 31])
    assert [one.after for one in run.told] == [State.UNACKNOWLEDGED, State.RETURNED, State.UNACKNOWLEDGED]
    assert [one.raised_ms for one in run.told] == [0, 0, 2 * MIN]
    assert [one.since_ms for one in run.told] == [0, 0, 2 * MIN]


@pytest.mark.slow
def test_chattering_readings_stay_linear() -> None:
    """100,000 readings that each cross tell 100,000 events in one chunk, in order, without going quadratic."""
    run = Run((rule(HOT, deadband=0.0),))
    count = 100_000
    run.read(range(count), [31.0, 29.0] * (count // 2))
    assert len(run.told) == count
    assert [one.t_ms for one in run.told] == list(range(count))


def test_judging_nothing_tells_nothing() -> None:
    """An empty chunk is no event."""
    run = Run((HOT,))
    run.read([], [])
    assert run.told == []
