"""What the audit suggests, on readings for which the right answer is known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.audit.suggest import (
    Advice,
    Edit,
    advise,
    rungs,
    written,
)
from collector.alarms.audit.trial import Stage, no_trial, run
from collector.alarms.chunk import Readings
from collector.alarms.model import Kind, Rule
from collector.domain.lab import Series
from collector.domain.units import MEASURES, difference_of, parse_duration_ms, parse_quantity
from tests.alarms.bench_lab import BROKER, HOT, SILENT, quillbrook, rule, series
from tests.worlds.values import DAY, HOUR, MIN

BARE = rule(HOT, deadband=0.0, time_to_respond_ms=12 * HOUR)
"""High at 30 degC without deadband or delay; what lasts an hour is in earnest."""
DRY = rule(BARE, kind=Kind.LOW, measure="bedding_moisture", setpoint=60.0)


def readings(values: list[float] | np.ndarray, every_ms: int = MIN, flag: int = 1) -> Readings:
    t_ms = np.arange(len(values), dtype=np.int64) * every_ms
    return Readings(t_ms, np.asarray(values, np.float64), np.full(len(values), flag, np.uint8))


def asked(of: Rule, told: Readings, until_ms: int | None = None) -> Advice:
    end = int(told.t_ms[-1]) + MIN if until_ms is None and told.t_ms.size else until_ms or 0
    return advise(of, at(of), stage(told, of), end, lambda: None)


def at(of: Rule) -> Series:
    return series(1, of.measure or "bedding_temperature")


def stage(told: Readings, of: Rule = BARE) -> Stage:
    return Stage(lab=quillbrook(), series=(at(of),), readings={1: told})


def edits(advice: Advice) -> list[Edit]:
    return [trial.edit for trial in ([] if advice.best is None else [advice.best, *advice.others])]


HOVERING = [26.0] * 120 + [30.1, 29.9] * 120 + [26.0] * 120
"""Four hours to and fro across the setpoint by 0.1."""
SPIKES = [31.0 if 600 <= minute < 1080 and minute % 15 < 2 else 26.0 for minute in range(3 * 1440)]
"""For eight hours two minutes beyond in every quarter of an hour, well below in between."""


def test_noise_at_the_setpoint_is_for_the_deadband() -> None:
    """Values 0.1 beyond and 0.1 below in turn, half of the time each: the smallest deadband that holds them, 0.2, makes
    one alarm of it, no later than before."""
    advice = asked(BARE, readings([26.0] * 120 + [30.1, 30.1, 29.9] * 80 + [26.0] * 120))
    assert (advice.fault, advice.alarms, advice.needless, advice.bouts, advice.true) == ("chattering", 80, 79, 1, 1)
    assert Edit("deadband", "0 degC", "0.2 degC") in edits(advice)
    deadband = next(one for one in (advice.best, *advice.others) if one and one.edit.field == "deadband")
    assert (deadband.alarms, deadband.gone, deadband.later_ms, deadband.missed, deadband.unheard) == (
        1,
        79,
        (0,),
        (),
        (),
    )


def test_the_deadband_wins_where_off_delay_would_hold_on_for_longer() -> None:
    """The deadband stands as long as the trouble lasts, an off-delay for a while beyond it."""
    hovering = [30.1] * 20 + [29.9] * 6
    advice = asked(BARE, readings([26.0] * 120 + hovering * 20 + [26.0] * 120))
    assert advice.best is not None
    assert advice.best.edit == Edit("deadband", "0 degC", "0.2 degC")
    assert [one.edit for one in advice.others] == [Edit("off_delay", "0 s", "10 min")]
    assert advice.best.longer_ms == 20 * 6 * MIN
    assert advice.others[0].longer_ms == (19 * 6 + 10) * MIN


def test_short_spikes_are_for_the_on_delay() -> None:
    """Two minutes beyond in every fifteen: an on-delay of two outlasts them, and no true alarm is among them."""
    advice = asked(BARE, readings(SPIKES))
    assert (advice.fault, advice.needless, advice.true) == ("chattering", 31, 0)
    assert advice.best is not None
    assert advice.best.edit == Edit("on_delay", "0 s", "2 min")
    assert (advice.best.alarms, advice.best.gone, advice.best.later_ms) == (0, 31, ())
    assert [(one.number, one.worst, one.lasted_ms) for one in advice.best.unheard] == [(32, 31.0, (465 + 2) * MIN)]
    assert advice.best.longer_ms == -32 * 2 * MIN


def test_what_a_longer_on_delay_costs_is_told() -> None:
    """Beside spikes a true alarm of five hours: it comes as much later as the delay is longer, and is not lost."""
    advice = asked(BARE, readings([*SPIKES, *[31.0] * 300, *[26.0] * 60]))
    assert advice.best is not None
    assert (advice.true, advice.best.edit, advice.best.later_ms) == (1, Edit("on_delay", "0 s", "2 min"), (2 * MIN,))


def test_a_change_that_loses_a_true_alarm_is_not_suggested() -> None:
    """Two hours of noise in which the value is beyond for 2 of 3 minutes: an on-delay of 3 min would lose it whole."""
    advice = asked(BARE, readings([26.0] * 120 + [30.1, 30.1, 29.9] * 40 + [26.0] * 120))
    assert advice.true == 1
    assert "on_delay" not in [edit.field for edit in edits(advice)]


def test_a_change_that_tells_a_true_alarm_much_later_is_not_suggested() -> None:
    """Short trips and then a lasting one: a longer on-delay tells all of it only when it lasts. After 44 minutes of
    trips that may be, after two hours not: an hour is the most here."""
    trips = ([30.1, 30.1, 29.9] * 40)[:119]
    for before, allowed in ((trips, False), (trips[:44], True)):
        advice = asked(BARE, readings([26.0] * 120 + before + [31.0] * 300 + [26.0] * 120))
        assert advice.true == 1
        assert ("on_delay" in [edit.field for edit in edits(advice)]) is allowed


def test_mirror_image_for_low() -> None:
    """A low alarm gets the mirror image of the advice for a high one, and the worst value is the lowest."""
    dry = asked(DRY, readings([60.0 + 30.0 - value for value in SPIKES]))
    assert dry.best is not None
    assert dry.best.edit == Edit("on_delay", "0 s", "2 min")
    assert dry.best.unheard[0].worst == 59.0


def test_fleeting_alarms_are_for_the_on_delay() -> None:
    """Eight minutes beyond once a day: three of them are a habit, and an on-delay of ten minutes ends it."""
    day = [31.0] * 8 + [26.0] * 1432
    advice = asked(BARE, readings(day * 3))
    assert (advice.fault, advice.alarms, advice.needless, advice.bouts) == ("fleeting", 3, 3, 0)
    assert edits(advice) == [Edit("on_delay", "0 s", "10 min")]
    assert asked(BARE, readings(day * 2)).fault == ""


def test_fleeting_alarms_merged_into_one_are_gone_too() -> None:
    """Twenty minutes beyond and twenty below, twice in an hour: an off-delay that holds them together is one alarm."""
    advice = asked(BARE, readings([26.0] * 60 + ([31.0] * 20 + [26.0] * 20) * 20 + [26.0] * 60))
    assert advice.fault == "fleeting"
    assert Edit("off_delay", "0 s", "20 min") in edits(advice)


def test_nothing_to_suggest_where_nothing_is_at_fault() -> None:
    """Two alarms of hours each: neither chatters nor flits, so no delay is to blame."""
    advice = asked(BARE, readings(([31.0] * 300 + [26.0] * 300) * 2))
    assert (advice.fault, advice.alarms, advice.true, advice.best) == ("", 2, 2, None)
    assert "neither chatters nor flits" in advice.why_not


def test_a_rule_mended_since_does_not_chatter_any_more() -> None:
    """The history may chatter while the rule as it is now does not: then there is nothing to change."""
    advice = asked(rule(BARE, deadband=1.0), readings(HOVERING))
    assert (advice.fault, advice.alarms, advice.best) == ("", 1, None)


def test_nothing_helps_and_that_is_said() -> None:
    """Eleven minutes beyond and fourteen far below, for five days: delays short enough for its time to respond change
    nothing, and a deadband would have it stand for days, mostly without cause."""
    short = rule(BARE, time_to_respond_ms=40 * MIN)
    advice = asked(short, readings([26.0] * 60 + ([31.0] * 11 + [26.0] * 14) * 300))
    assert (advice.fault, advice.best, advice.others) == ("chattering", None, ())
    assert "look at the probe" in advice.why_not


def test_no_on_delay_under_two_reporting_intervals() -> None:
    """Of a probe that reports every 5 min no on-delay under 10 min is suggested: rules check would warn of it."""
    spikes = [31.0 if number % 4 == 0 else 26.0 for number in range(200)]
    advice = asked(BARE, readings(spikes, 5 * MIN))
    assert advice.best is not None
    assert advice.best.edit == Edit("on_delay", "0 s", "10 min")


def test_doubtful_and_missing_readings_are_not_in_earnest() -> None:
    """Failed and missing readings say nothing about whether the condition was there."""
    told = readings(SPIKES)
    value, flags = told.value.copy(), told.flags.copy()
    value[::7], flags[::7] = np.nan, 9
    flags[3::7] = 4
    advice = asked(BARE, Readings(told.t_ms, value, flags))
    assert advice.fault == "chattering"
    assert advice.best is not None
    assert advice.best.gone == advice.needless


# ---- silence -------------------------------------------------------------------------------------------------------


def _heard_every(minutes: int, times: int) -> Readings:
    """A day of a reading a minute, then one every so often."""
    t_ms = np.concatenate([np.arange(1440), 1440 + np.arange(times) * minutes]).astype(np.int64) * MIN
    return Readings(t_ms, np.full(t_ms.size, 20.0), np.ones(t_ms.size, np.uint8))


def test_a_probe_that_reports_seldom_needs_a_longer_setpoint() -> None:
    """Silent after 10 min, heard every 15 min: only a setpoint above that is quiet; an off-delay must stay below it."""
    silent = rule(SILENT, setpoint=10.0 * MIN, time_to_respond_ms=12 * HOUR)
    advice = asked(silent, _heard_every(15, 50))
    assert (advice.fault, advice.alarms, advice.needless, advice.true) == ("chattering", 49, 48, 0)
    assert advice.best is not None
    assert advice.best.edit == Edit("setpoint", "10 min", "15 min")
    assert advice.others == ()
    assert rungs(silent) == 1 + len([1, 2, 3, 5]) + len([15, 20, 30, 45, 60, 90, 120, 180])


def test_a_true_silence_beside_short_ones_is_told_as_much_later() -> None:
    """After gaps of 15 min a night without a reading: it is told, later by what the setpoint is longer."""
    silent = rule(SILENT, setpoint=10.0 * MIN, time_to_respond_ms=12 * HOUR)
    told = _heard_every(15, 50)
    end = int(told.t_ms[-1]) + 8 * HOUR
    advice = asked(silent, told, end)
    assert advice.true == 1
    assert advice.best is not None
    assert (advice.best.edit, advice.best.later_ms) == (Edit("setpoint", "10 min", "15 min"), (5 * MIN,))


# ---- what cannot be tried -------------------------------------------------------------------------------------------


def test_the_link_to_the_broker_has_no_readings() -> None:
    """Its alarm follows the link, so no reading can be tried on it."""
    assert "link to the broker" in no_trial(BROKER)
    assert rungs(BROKER) == 0
    assert asked(BROKER, readings([20.0])).why_not == no_trial(BROKER)


def test_readings_that_are_gone_cannot_be_tried() -> None:
    """After the time readings are kept for there is nothing to try a rule on."""
    advice = asked(BARE, readings([]))
    assert "kept any more" in advice.why_not
    assert advice.best is None


def test_a_switch_has_no_deadband() -> None:
    """On or off: only delays are tried."""
    pump = rule(DRY, measure="air_pump", setpoint=0.5)
    off = [1.0] * 60 + [0.0, 1.0, 1.0, 1.0, 1.0] * 60 + [1.0] * 60
    assert {edit.field for edit in edits(asked(pump, readings(off)))} == {"on_delay", "off_delay"}


def test_a_deadband_always_lets_the_alarm_clear() -> None:
    """No deadband is tried behind which no value can be."""
    nearly_full = rule(DRY, setpoint=99.0)
    assert rungs(nearly_full) == rungs(rule(nearly_full, setpoint=60.0)) - 7  # 1, 2, 3, 4, 5, 7 and 10 %
    nearly_empty = rule(DRY, kind=Kind.HIGH, setpoint=1.0)
    assert rungs(nearly_empty) == rungs(nearly_full)


# ---- any series ----------------------------------------------------------------------------------------------------


def test_each_run_is_counted() -> None:
    """`tried` is called as often as `rungs` says, so that a progress bar ends at its end."""
    calls: list[int] = []
    told = readings(SPIKES)
    advise(BARE, series(), stage(told), int(told.t_ms[-1]), lambda: calls.append(1))
    assert len(calls) == rungs(BARE)


@pytest.mark.parametrize(
    ("ms", "text"),
    [
        (0, "0 s"),
        (45_000, "45 s"),
        (90_000, "90 s"),
        (20 * MIN, "20 min"),
        (90 * MIN, "90 min"),
        (2 * HOUR, "2 h"),
        (DAY, "1 d"),
        (1_500, "1.5 s"),
    ],
)
def test_durations_are_written_as_a_rule_file_takes_them(ms: int, text: str) -> None:
    """Each reads back as the same time."""
    assert written(ms) == text
    assert parse_duration_ms(text) == ms


@given(st.lists(st.sampled_from([26.0, 29.4, 29.9, 30.1, 31.0, float("nan")]), min_size=1, max_size=400))
def test_what_is_suggested_holds_when_tried(values: list[float]) -> None:
    """The suggested line, written into the rule, gives what was promised: so many alarms, in the stretch they came in;
    nine in ten needless ones gone, no true one lost, no alarm at a time when there was none before."""
    told = readings(values, 3 * MIN)
    end = int(told.t_ms[-1]) + MIN
    advice = asked(BARE, told)
    before = run(BARE, series(), stage(told), end)
    assert advice.alarms == len(before)
    assert (advice.best is None) == bool(advice.why_not)
    for trial in [] if advice.best is None else [advice.best, *advice.others]:
        changed = _changed(BARE, trial.edit)
        after = run(changed, series(), stage(told), end)
        assert len(after) == trial.alarms
        assert trial.gone >= 0.9 * advice.needless
        assert not trial.missed
        assert len(trial.later_ms) == advice.true
        assert all(any(old.raised_ms <= new.raised_ms <= old.ended_ms for old in before) for new in after)
        assert trial.longer_ms == _length(after) - _length(before)


def _changed(of: Rule, edit: Edit) -> Rule:
    if edit.field == "deadband":
        return replace(of, deadband=parse_quantity(edit.new, difference_of(MEASURES[of.measure].dimension)))
    return replace(of, **{f"{edit.field}_ms": parse_duration_ms(edit.new)})  # type: ignore[arg-type]


def _length(stands: list) -> int:  # type: ignore[type-arg]
    return sum(one.ended_ms - one.raised_ms for one in stands)
