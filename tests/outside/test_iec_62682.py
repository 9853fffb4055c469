"""The audit's measures against IEC 62682 / ANSI/ISA-18.2-2016: the metric table, and vectors worked by hand.

The limits are those of the standard's metric table (per operator position, over at least 30 days). The definitions of
flood (starts above 10 in ten minutes, ends below 5), chattering (three within a minute), fleeting and stale (over 24 h)
are from memory; the vectors were computed by hand from them.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC

import pytest

from collector.alarms.audit.figures import Audit, Figure, Window, audit
from collector.alarms.audit.history import bouts, flood_intervals
from collector.alarms.audit.limits import CHATTER_MINUTE_MS, IEC, MEASURED
from tests.alarms.histories import DAY, HOUR, MIN, T0, onsets

MONTH = Window(T0, T0 + 30 * DAY, 30 * DAY)
TEN_MINUTE_COUNTS = [3, 11, 8, 6, 4, 0, 12, 10, 5, 4]


def audited(times: Sequence[int], window: Window = MONTH) -> Audit:
    return audit(onsets(times), window, UTC, {})


def test_floods_of_ten_intervals() -> None:
    """Ten-minute counts 3, 11, 8, 6, 4, 0, 12, 10, 5, 4 hold floods in intervals 1-3 and 6-8 (counted from 0)."""
    counts = {number: count for number, count in enumerate(TEN_MINUTE_COUNTS) if count}
    assert flood_intervals(counts) == [(1, 4), (6, 9)]


def test_sixty_percent_of_the_time_in_flood() -> None:
    """The same counts as a history: six of ten intervals are in flood, 60 %; the standard allows about 1 %."""
    times = [n * 10 * MIN + k * 1_000 for n, count in enumerate(TEN_MINUTE_COUNTS) for k in range(count)]
    found = audited(times, Window(T0, T0 + 100 * MIN, 100 * MIN))
    assert found.value("time_in_flood") == 60
    assert [flood.alarms for flood in found.floods] == [25, 27]
    assert Figure("time_in_flood", 60).standard_met is False


@pytest.mark.parametrize(("seconds", "chatters"), [((0, 20, 59), True), ((0, 30, 60), True), ((0, 30, 61), False)])
def test_chattering_is_three_within_a_minute(seconds: tuple[int, ...], chatters: bool) -> None:
    """Onsets at 0, 20, 59 s and at 0, 30, 60 s chatter; at 0, 30, 61 s they do not."""
    times = [second * 1_000 for second in seconds]
    assert bool(bouts(times, CHATTER_MINUTE_MS)) is chatters
    assert audited(times).value("chattering_minute") == int(chatters)


def test_by_the_hour_all_three_chatter() -> None:
    """This lab's own measure, three within an hour, takes in all that the standard's does and more."""
    assert audited([0, 30_000, 61_000]).value("chattering_hour") == 1
    assert audited([0, 30 * MIN, HOUR]).value("chattering_hour") == 1
    assert audited([0, 30 * MIN, HOUR + 1]).value("chattering_hour") == 0


def test_144_a_day_are_6_an_hour_and_1_in_ten_minutes() -> None:
    """The table's three rates are one rate: an alarm every ten minutes is at the "very likely acceptable" limit."""
    found = audited([n * 10 * MIN for n in range(30 * 144)])
    rates = [found.value(name) for name in ("alarms_per_day", "alarms_per_hour", "alarms_per_10_min")]
    assert rates == [144, 6, 1]
    assert found.value("alarms_in_worst_10_min") == 1


@pytest.mark.parametrize(("hours", "met"), [(7, True), (8, False)])
def test_one_percent_of_thirty_days_is_7_2_hours(hours: int, met: bool) -> None:
    """Seven hours with more than 30 alarms are within 1 % of 30 days, eight are not; 30 in an hour are not "more"."""
    times = [h * HOUR + n * MIN for h in range(hours) for n in range(31)] + [20 * DAY + n * MIN for n in range(30)]
    found = audited(times)
    assert found.value("hours_over_30") == pytest.approx(100 * hours / 720)
    assert Figure("hours_over_30", 100 * hours / 720).standard_met is met
    assert found.value("alarms_in_worst_hour") == 31


@pytest.mark.parametrize(("count", "over"), [(10, 0), (11, 1)])
def test_ten_in_ten_minutes_are_the_most(count: int, over: int) -> None:
    """Ten alarms in ten minutes are allowed and are no flood; the eleventh makes one."""
    found = audited([n * 1_000 for n in range(count)])
    assert found.value("alarms_in_worst_10_min") == count
    assert len(found.floods) == over
    assert Figure("alarms_in_worst_10_min", count).standard_met is (over == 0)
    assert (found.value("ten_minutes_over_10") or 0) == pytest.approx(100 * over / 4320)


@pytest.mark.parametrize(
    ("name", "met", "broken"),
    [
        ("alarms_per_day", 288, 288.5),
        ("alarms_per_hour", 12, 12.1),
        ("alarms_per_10_min", 2, 2.1),
        ("hours_over_30", 1, 1.1),
        ("ten_minutes_over_10", 1, 1.1),
        ("alarms_in_worst_10_min", 10, 11),
        ("time_in_flood", 1, 1.1),
        ("chattering_minute", 0, 1),
        ("fleeting_minute", 0, 1),
        ("stale", 4, 5),
    ],
)
def test_limits_of_the_metric_table(name: str, met: float, broken: float) -> None:
    """Each row of the table: the largest value that meets it, the next that does not, and that it names its source."""
    assert Figure(name, met).standard_met is True
    assert Figure(name, broken).standard_met is False
    standard = MEASURED[name].standard
    assert standard is not None
    assert standard.source == IEC


def test_the_lab_aims_far_below_the_standard() -> None:
    """Wherever both have a number, the lab's target is the stricter one, and says that no source stands behind it."""
    for measured in MEASURED.values():
        standard, target = measured.standard, measured.target
        if target is not None:
            assert "no source" in target.source
        if standard is not None and target is not None and standard.most is not None and target.most is not None:
            assert target.most < standard.most or (target.most == standard.most == 0)


def test_stale_is_longer_than_24_hours() -> None:
    """Standing for 24 h to the ms is not stale; a ms more is."""
    raised, cleared = onsets([0])
    for lasted, stale in ((DAY, 0), (DAY + 1, 1)):
        moved = replace(cleared, t_ms=T0 + lasted)
        assert audit([raised, moved], MONTH, UTC, {}).value("stale") == stale
