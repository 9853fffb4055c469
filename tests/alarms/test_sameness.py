"""However readings come, are cut, or are interrupted by restarts: the same readings give the same transitions."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.model import Event, Kind, Rule
from tests.alarms.bench_lab import HAPPENINGS, MIN, READINGS, Happening, Run, rule_sets

END = 10**12
Reading = tuple[int, float, int]


def timed(readings: list[Reading]) -> list[Reading]:
    """(gap, value, flag) to (time, value, flag)."""
    times = np.cumsum([gap for gap, _, _ in readings])
    return [(int(t), value, flag) for t, (_, value, flag) in zip(times, readings, strict=True)]


def feed(run: Run, readings: list[Reading]) -> None:
    if readings:
        t, value, flag = zip(*readings, strict=True)
        run.read(t, value, flag)


@given(rule_sets(), READINGS, st.data())
@settings(max_examples=75, deadline=None)
def test_cutting_into_chunks_changes_nothing(rules: tuple[Rule, ...], raw: list[Reading], data: st.DataObject) -> None:
    """One reading at a time, any chunks and all in one chunk tell the same, in the same order, and end the same."""
    readings = timed(raw)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(readings)), max_size=6)))
    singly, cut, whole = Run(rules), Run(rules), Run(rules)
    for one in readings:
        feed(singly, [one])
    for start, end in pairwise([0, *cuts, len(readings)]):
        feed(cut, readings[start:end])
    feed(whole, readings)
    assert singly.told == cut.told == whole.told
    assert singly.engine.states() == cut.engine.states() == whole.engine.states()
    singly.commit()
    whole.commit()
    assert singly.states == whole.states
    assert singly.engine.next_deadline_ms() == whole.engine.next_deadline_ms()


@given(rule_sets(), READINGS)
@settings(max_examples=75, deadline=None)
def test_the_plain_reading_of_the_semantics_agrees(rules: tuple[Rule, ...], raw: list[Reading]) -> None:
    """A slow word-by-word account of high and low tells the same events at the same times."""
    readings = timed(raw)
    run = Run(rules)
    feed(run, readings)
    run.tick(END)
    for rule in rules:
        if rule.kind is not Kind.SILENT:
            told = [(one.event, one.t_ms) for one in run.told if one.key.rule == rule.name]
            assert told == plain_account(rule, readings)


def plain_account(rule: Rule, readings: list[Reading]) -> list[tuple[Event, int]]:
    """Looks back over all readings at each moment that can matter, keeping nothing but active or not."""
    told: list[tuple[Event, int]] = []
    active, start = False, None
    high = rule.kind is Kind.HIGH
    for t, value, flag in [*readings, (END, math.nan, 9)]:
        delay = rule.off_delay_ms if active else rule.on_delay_ms
        if start is not None and start + delay < t:
            active = not active
            told.append((Event.RAISED if active else Event.CLEARED, start + delay))
            start = None
        if flag in (1, 2, 3) and math.isfinite(value):
            beyond = value > rule.setpoint if high else value < rule.setpoint
            back = value < rule.setpoint - rule.deadband if high else value > rule.setpoint + rule.deadband
            starts, stops = (back and flag != 3, not back) if active else (beyond, not beyond and flag != 3)
            if starts and start is None:
                start = t
            elif stops:
                start = None
        delay = rule.off_delay_ms if active else rule.on_delay_ms
        if start is not None and start + delay <= t:
            active = not active
            told.append((Event.RAISED if active else Event.CLEARED, start + delay))
            start = None
    return told


def live(run: Run, happenings: list[Happening], restarts: set[int]) -> list[tuple[str, int, float, int]]:
    """Play what happens, wall clock going on, readings lagging behind; what was judged, and the link, in order."""
    now, kept = 0, []
    for number, one in enumerate(happenings):
        now += one.gap
        if one.what == "read":
            t = now - one.lag
            if t > run.engine.clock_ms(1):
                kept.append(("read", t, one.value, one.flag))
            run.read([t], [one.value], [one.flag])
        elif one.what == "tick":
            run.tick(now)
        else:
            run.set_link(one.what == "up", now)
            kept.append((one.what, now, 0.0, 0))
        if number in restarts:
            run.restart()
    run.tick(now + END)
    return kept


@given(rule_sets(), HAPPENINGS)
@settings(max_examples=100, deadline=None)
def test_live_with_ticks_equals_replay_without(rules: tuple[Rule, ...], happenings: list[Happening]) -> None:
    """Ticks at any time only tell earlier what readings alone would tell: same times, values and states."""
    watched, replayed = Run(rules), Run(rules)
    kept = live(watched, happenings, set())
    for what, t, value, flag in kept:
        if what == "read":
            replayed.read([t], [value], [flag])
        else:
            replayed.set_link(what == "up", t)
    replayed.tick(2 * END)
    assert watched.in_order() == replayed.in_order()


@given(rule_sets(), HAPPENINGS, st.sets(st.integers(0, 79), max_size=8))
@settings(max_examples=100, deadline=None)
def test_restarts_change_nothing(rules: tuple[Rule, ...], happenings: list[Happening], restarts: set[int]) -> None:
    """An engine rebuilt from the journal, as often as you like, tells what one never stopped tells."""
    steady, interrupted = Run(rules), Run(rules)
    live(steady, happenings, set())
    live(interrupted, happenings, restarts)
    assert steady.told == interrupted.told
    steady.commit()
    interrupted.commit()
    assert steady.states == interrupted.states


@given(rule_sets(), READINGS, READINGS)
@settings(max_examples=30, deadline=None)
def test_late_and_doubled_readings_touch_nothing(
    rules: tuple[Rule, ...], raw: list[Reading], again: list[Reading]
) -> None:
    """Readings no newer than the clock are late, whatever they say, and judging one is refused without a change."""
    run = Run(rules)
    feed(run, timed(raw))
    before, told, clock = run.engine.states(), list(run.told), run.engine.clock_ms(1)
    for t, value, flag in timed(again):
        if t <= clock:
            assert run.engine.late_mask(1, np.array([t])).all()
            with pytest.raises(ValueError, match="newer than the clock"):
                run.engine.judge(1, np.array([t]), np.array([value]), np.array([flag], np.uint8))
    run.read([clock, clock - 1, 1], [50.0, 0.0, 50.0])
    assert (run.engine.states(), run.told, run.engine.clock_ms(1)) == (before, told, clock)


@given(rule_sets(), HAPPENINGS, st.integers(0, 40 * MIN))
@settings(max_examples=30, deadline=None)
def test_time_going_back_does_nothing(rules: tuple[Rule, ...], happenings: list[Happening], back: int) -> None:
    """A tick with an older time raises and clears nothing."""
    run = Run(rules)
    now = 0
    for one in happenings:
        now += one.gap
        run.read([now - one.lag], [one.value], [one.flag])
        run.tick(now)
        told = len(run.told)
        run.tick(now - back)
        assert len(run.told) == told


def test_late_mask_looks_within_the_chunk_too() -> None:
    """Of equal or falling times in one chunk only the first is on time."""
    run = Run(())
    run.read([1000], [20.0])
    late = run.engine.late_mask(1, np.array([1000, 1001, 1001, 1000, 1002]))
    assert late.tolist() == [True, False, True, True, False]
