"""Alarms run over stored readings for the audit: what each depends on, and that the engine itself decides."""

from dataclasses import replace

import numpy as np
import pytest

from collector.alarms.audit.suggest import advise, rungs
from collector.alarms.audit.trial import Stage, Stand, no_trial, run, stage_series
from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts, parse_condition
from collector.alarms.model import SQUEEZE_TEST, Kind, Rule, What
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.lab import Series, series_keys, subjects
from tests.alarms.bench_lab import BROKER, HOT, SILENT, quillbrook, rule
from tests.worlds.values import HOUR, MIN

LAB = quillbrook()
KNOWN = [
    Series(id=number, probe=key.probe, channel=key.channel, measure=key.measure, place=key.place, unit="")
    for number, key in enumerate((*series_keys(LAB), *subjects(LAB)), start=1)
]
TOP = next(one for one in KNOWN if (one.place, one.measure) == ("juniper/top", "bedding_temperature"))
MIDDLE = next(one for one in KNOWN if (one.place, one.measure) == ("juniper/middle", "bedding_temperature"))
PROBE = next(one for one in KNOWN if one.place == "juniper/top" and not one.measure and one.probe)
BARE = rule(HOT, deadband=0.0, time_to_respond_ms=12 * HOUR)
WARMER = rule(
    BARE, kind=Kind.DEVIATION, setpoint=5.0, against="bedding_temperature at juniper/middle", where=("juniper/top",)
)


def column(values: list[float], every_ms: int = MIN) -> Readings:
    t_ms = np.arange(len(values), dtype=np.int64) * every_ms
    return Readings(t_ms, np.asarray(values, np.float64), np.ones(len(values), np.uint8))


def stage(of: Rule, at: Series, told: dict[int, Readings], contexts: Contexts | None = None) -> Stage:
    series = stage_series(of, at, KNOWN, LAB)
    return Stage(
        lab=LAB, series=series, readings={one.id: told[one.id] for one in series if one.id in told}, contexts=contexts
    )


def stood(stands: list[Stand]) -> list[tuple[float, float]]:
    """From and to, in minutes."""
    return [(one.raised_ms / MIN, one.ended_ms / MIN) for one in stands]


# ---- what an alarm depends on --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [Kind.HIGH, Kind.LOW, Kind.RATE, Kind.FORECAST, Kind.SUSPECT])
def test_most_kinds_need_their_own_series_alone(kind: Kind) -> None:
    """Nothing else is read for them."""
    assert stage_series(rule(BARE, kind=kind), TOP, KNOWN, LAB) == (TOP,)


def test_a_deviation_needs_what_it_is_held_against() -> None:
    """Its own series and the reference, in the order of the lab; without a reference its own alone."""
    assert set(stage_series(WARMER, TOP, KNOWN, LAB)) == {TOP, MIDDLE}
    nowhere = replace(WARMER, against="air_temperature at room")
    assert stage_series(nowhere, TOP, KNOWN, LAB) == (TOP,)


def test_a_silence_needs_all_of_its_bin() -> None:
    """Which of a bin's probes speaks depends on all of them; elsewhere the place is enough."""
    needed = stage_series(SILENT, PROBE, KNOWN, LAB)
    assert {one.place for one in needed} == {"juniper", "juniper/top", "juniper/middle", "juniper/bottom"}
    room = next(one for one in KNOWN if one.place == "room")
    assert {one.place for one in stage_series(SILENT, room, KNOWN, LAB)} == {"room"}
    moved = replace(room, place="gone")
    assert stage_series(SILENT, moved, [*KNOWN, moved], LAB) == (moved,)


@pytest.mark.parametrize(
    ("of", "said"),
    [
        (BROKER, "link to the broker"),
        (rule(BARE, kind=Kind.OVERDUE, what=What.FEEDING), "what people note"),
        (rule(BARE, kind=Kind.DISCREPANCY, against=SQUEEZE_TEST), "what people note"),
        (rule(BARE, kind=Kind.DISCREPANCY), ""),
        (BARE, ""),
    ],
)
def test_what_cannot_be_tried(of: Rule, said: str) -> None:
    """Alarms that the link or the diary moves have no delay at fault; all others can be tried."""
    assert said in no_trial(of)
    assert bool(no_trial(of)) is bool(said)
    assert (rungs(of) == 0) is bool(said)


# ---- running -------------------------------------------------------------------------------------------------------


def test_without_readings_nothing_stood() -> None:
    """An empty stretch has no alarms."""
    assert run(BARE, TOP, stage(BARE, TOP, {TOP.id: column([])}), HOUR) == []


def test_what_still_stands_ends_with_the_stretch() -> None:
    """Two alarms, the second to the end; the worst value of each is told."""
    told = {TOP.id: column([26.0, 31.0, 32.0, 26.0, 31.0])}
    stands = run(BARE, TOP, stage(BARE, TOP, told), 10 * MIN)
    assert stood(stands) == [(1, 3), (4, 10)]
    assert [(one.cleared, one.worst) for one in stands] == [(True, 32.0), (False, 31.0)]


def test_a_latching_alarm_is_tried_as_if_reset() -> None:
    """Nobody resets it in a trial, so it goes with its condition and its repeats can be seen."""
    told = {TOP.id: column([31.0, 26.0, 31.0, 26.0])}
    assert stood(run(rule(BARE, latching=True), TOP, stage(BARE, TOP, told), 10 * MIN)) == [(0, 1), (2, 3)]


def test_what_was_suppressed_is_not_told_in_a_trial() -> None:
    """Conditions of the rule hold as they did: within the half hour after watering nobody is told, before and after
    that people are."""
    gated = rule(BARE, not_while=(parse_condition("watered within 30 min"),))
    watered = DiaryEntry(
        id=1,
        t_ms=58 * MIN,
        taken_ms=58 * MIN,
        place="juniper/top",
        kind=DiaryKind.WATERED,
        amount=None,
        result=None,
        by="teacher",
        note="",
    )
    told = {TOP.id: column(([31.0] * 5 + [26.0] * 5) * 12)}
    free = stood(run(BARE, TOP, stage(BARE, TOP, told), 120 * MIN))
    stands = stood(run(gated, TOP, stage(gated, TOP, told, Contexts(LAB, [watered], [])), 120 * MIN))
    assert len(free) == 12
    assert stands == [one for one in free if not 58 <= one[0] < 88]


def test_a_deviation_is_run_against_its_reference() -> None:
    """Top against middle: what is warm at both is no deviation; a deadband up to its setpoint is tried."""
    top, middle = [20.0] * 60 + [28.0] * 60, [20.0] * 55 + [28.0] * 35 + [20.0] * 30
    told = {TOP.id: column(top), MIDDLE.id: column(middle)}
    (stand,) = run(WARMER, TOP, stage(WARMER, TOP, told), 121 * MIN)
    assert 90 * MIN <= stand.raised_ms <= 95 * MIN
    small = replace(WARMER, setpoint=0.4)
    assert rungs(WARMER) - rungs(small) == len([0.5, 1.0, 1.5, 2.0, 3.0, 4.0])


def test_a_probe_that_falls_silent_is_run_with_its_neighbours() -> None:
    """The alarm of a whole probe has no readings of its own: those of its channels and of its bin are run."""
    silent = rule(SILENT, setpoint=10.0 * MIN, time_to_respond_ms=12 * HOUR)
    steady = np.arange(24 * 60, dtype=np.int64) * MIN
    gappy = steady[(steady // MIN % 18 == 0) | (steady < 6 * HOUR)]
    told = {
        one.id: Readings(t_ms, np.full(t_ms.size, 20.0), np.ones(t_ms.size, np.uint8))
        for one in stage_series(silent, PROBE, KNOWN, LAB)
        if one.measure
        for t_ms in [gappy if one.place == PROBE.place else steady]
    }
    staged = stage(silent, PROBE, told)
    assert PROBE.id not in staged.readings
    assert len(run(silent, PROBE, staged, 24 * HOUR)) > 50
    advice = advise(silent, PROBE, staged, 24 * HOUR, lambda: None)
    assert (advice.fault, advice.true) == ("chattering", 0)
    assert advice.best is not None
    assert advice.best.edit == ("setpoint", "10 min", "20 min")
