"""Forecasts: a trend through medians, where it will be at the end of the horizon, and when it is not drawn at all."""

import math
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.kinds.forecast import next_moment_ms, stretch_ms
from collector.alarms.model import Outlook, Rule, Transition, Weekly
from tests.alarms.bench_lab import MIN, rule
from tests.alarms.world import DRYING, Row, World
from tests.alarms.world_lab import JT_MOISTURE
from tests.worlds.values import HOUR

HALF = 30 * MIN
MONDAY = round(datetime(2026, 3, 2, 8, tzinfo=UTC).timestamp() * 1000)


def line(hours: float, start: float, slope: float, from_ms: int = 0, every: int = 10) -> list[Row]:
    """Readings each ten minutes along a line of so many % an hour, with a ripple of a tenth."""
    count = round(hours * 60 / every)
    return [
        (from_ms + n * every * MIN, start + slope * n * every / 60 + 0.1 * math.sin(n), 1) for n in range(1, count + 1)
    ]


def told(rows: list[Row], of: Rule = DRYING) -> list[Transition]:
    world = World((of,))
    world.read({JT_MOISTURE: rows})
    return world.told


def test_a_tray_on_its_way_to_dry_is_told_with_when() -> None:
    """From 70 % at -0.8 % an hour it is at 60 % after 12.5 h: told as soon as that is within the 10 h, with bounds."""
    (raised,) = told(line(8, 70.0, -0.8))
    assert 2 * HOUR < raised.t_ms < 5 * HOUR
    assert raised.outlook is not None
    assert raised.outlook.about_ms == pytest.approx(12.5 * HOUR, abs=0.5 * HOUR)
    assert raised.outlook.early_ms <= raised.outlook.about_ms <= raised.outlook.late_ms
    assert raised.outlook.late_ms - raised.outlook.early_ms < 4 * HOUR
    assert raised.value is not None
    assert raised.value < 60


@pytest.mark.parametrize(
    ("start", "slope"),
    [(70.0, 0.0), (70.0, 0.5), (70.0, -0.2), (95.0, -0.8)],
    ids=["level", "rising", "too slow for the horizon", "too far for the horizon"],
)
def test_what_will_not_cross_within_the_horizon_is_not_told(start: float, slope: float) -> None:
    """Level, rising, or falling too slowly from too far."""
    assert told(line(8, start, slope)) == []


def test_scatter_without_a_trend_is_not_told() -> None:
    """Readings to and fro over six %: the interval holds "no change", though some lines would cross."""
    rows = [(n * 10 * MIN, 63.0 + 2.9 * math.sin(2.1 * (n // 3)), 1) for n in range(1, 60)]
    assert told(rows) == []


def test_what_is_dry_already_is_not_foretold() -> None:
    """Beyond the setpoint there is nothing to foresee: that is for `low`."""
    assert told(line(8, 55.0, -0.8)) == []


@pytest.mark.parametrize("toward", ["low", "high"])
def test_a_forecast_may_wait_until_the_reading_itself_is_beyond_something(toward: str) -> None:
    """From 70 % at -0.8 % an hour: within reach at 67.5 %, but told only once it is below 66 %; and upwards alike."""
    of, rows = rule(DRYING, beyond=66.0), line(8, 70.0, -0.8)
    if toward == "high":
        of, rows = rule(of, setpoint=90.0, toward="high", beyond=84.0), [(t, 150 - v, f) for t, v, f in rows]
    (without,), (waited,) = told(rows, rule(of, beyond=None)), told(rows, of)
    assert without.t_ms < 4.5 * HOUR < 5 * HOUR < waited.t_ms < 6.5 * HOUR
    world = World((of,))
    for start in range(0, len(rows), 7):
        world.read({JT_MOISTURE: rows[start : start + 7]})
        world.restart()
    assert world.told == [waited]


def test_it_clears_when_the_trend_has_turned() -> None:
    """Watered: the line through the last five hours no longer falls."""
    rows = line(6, 70.0, -0.8)
    rows += line(8, 74.0, 0.0, from_ms=rows[-1][0])
    assert [one.event.value for one in told(rows)] == ["raised", "cleared"]


def test_a_window_with_holes_is_not_drawn_through() -> None:
    """Fewer than four fifths of the half hours have a median: nothing is told."""
    rows = [row for row in line(8, 70.0, -0.8) if row[0] // HALF % 3]
    assert told(rows) == []


def test_doubtful_readings_are_no_part_of_a_trend() -> None:
    """The same line flagged suspect tells nothing."""
    assert told([(t, value, 3) for t, value, _ in line(8, 70.0, -0.8)]) == []


def test_upwards_is_the_mirror_image() -> None:
    """Toward high: from 80 % at +0.8 % an hour to 90 %."""
    up = rule(DRYING, setpoint=90.0, toward="high")
    (down_told,), (up_told,) = told(line(8, 70.0, -0.8)), told([(t, 150 - v, f) for t, v, f in line(8, 70.0, -0.8)], up)
    assert (up_told.t_ms, up_told.outlook) == (down_told.t_ms, down_told.outlook)


def test_a_horizon_that_ends_on_monday_morning() -> None:
    """By Monday 08:00: drying to 60 % on Sunday is told from Friday on, no earlier than three windows before."""
    weekend = rule(DRYING, window_ms=24 * HOUR, horizon_ms=0, by=Weekly(0, 8 * 60))
    friday = MONDAY - 72 * HOUR
    (raised,) = told(line(48, 78.0, -0.2, from_ms=friday - 30 * HOUR), weekend)
    assert friday <= raised.t_ms <= friday + HALF + 10 * MIN
    assert told(line(28, 78.0, -0.2, from_ms=friday - 30 * HOUR), weekend) == [], "Thursday is too early to say"


def test_long_windows_have_longer_stretches() -> None:
    """At most sixty points: half hours up to thirty hours, then whole multiples of half an hour."""
    assert [stretch_ms(hours * HOUR) // MIN for hours in (5, 30, 31, 72)] == [30, 30, 60, 90]


@pytest.mark.parametrize(
    ("at", "then"),
    [
        ("2026-03-06T12:00", "2026-03-09T08:00"),
        ("2026-03-09T07:59", "2026-03-09T08:00"),
        ("2026-03-09T08:00", "2026-03-16T08:00"),
    ],
)
def test_the_next_moment_is_on_the_labs_clock(at: str, then: str) -> None:
    """Monday 08:00 in Chicago, also over the weekend in which the clocks go forward (8 March 2026)."""
    zone = ZoneInfo("America/Chicago")
    start, end = (round(datetime.fromisoformat(t).replace(tzinfo=zone).timestamp() * 1000) for t in (at, then))
    assert next_moment_ms(Weekly(0, 8 * 60), zone, start) == end


SLOPES = st.sampled_from([-2.0, -0.8, 0.0, 0.8])
PIECES = st.lists(st.tuples(st.integers(1, 20), SLOPES, st.sampled_from([0, 0, 3])), min_size=1, max_size=6)


def wander(pieces: list[tuple[int, float, int]]) -> list[Row]:
    """Stretches of readings each ten minutes, each going its way, with hours missing between some."""
    rows: list[Row] = []
    now, value = 0, 72.0
    for number, (hours, slope, missing) in enumerate(pieces):
        for _ in range(hours * 6):
            now += 10 * MIN
            value = min(95.0, max(40.0, value + slope / 6))
            rows.append((now, value, 3 if (now // MIN + number) % 170 == 0 else 1))
        now += missing * HOUR
    return rows


@given(PIECES, st.lists(st.integers(0, 700), max_size=6), st.sampled_from([0, 45 * MIN]))
@settings(max_examples=30, deadline=None)
def test_chunks_and_restarts_change_nothing(pieces: list[tuple[int, float, int]], cuts: list[int], delay: int) -> None:
    """In one chunk, cut anywhere, and rebuilt from the last rows at every cut: the same, with outlooks and values."""
    of = rule(DRYING, on_delay_ms=delay, off_delay_ms=delay)
    rows = wander(pieces)
    edges = sorted({0, *(min(cut, len(rows)) for cut in cuts), len(rows)})
    whole, cut, restarted = World((of,)), World((of,)), World((of,))
    whole.read({JT_MOISTURE: rows})
    for start, end in pairwise(edges):
        cut.read({JT_MOISTURE: rows[start:end]})
        restarted.read({JT_MOISTURE: rows[start:end]})
        restarted.restart()
    for world in (whole, cut, restarted):
        world.tick(rows[-1][0] + 10 * HOUR)
    assert whole.told == cut.told == restarted.told
    assert whole.engine.states() == cut.engine.states() == restarted.engine.states()


def test_an_outlook_is_a_value() -> None:
    """About, early, late: what messages show."""
    assert Outlook(2, 1, 3)._asdict() == {"about_ms": 2, "early_ms": 1, "late_ms": 3}
