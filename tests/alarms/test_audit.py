"""The figures of an audit against a history counted by hand, and what must hold of any history."""

import random
from dataclasses import replace
from datetime import UTC, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.audit.figures import Audit, Window, audit
from collector.alarms.audit.history import bouts, flood_intervals, occurrences, percentile
from collector.alarms.model import AlarmKey, Event
from collector.store.tables.alarm_rows import PastChange
from tests.alarms.histories import DAY, HOUR, MIN, T0, History, onsets

MONTH = Window(T0, T0 + 30 * DAY, 30 * DAY)
RESPOND = {"warm": 4 * HOUR, "dry": 12 * HOUR, "silent": 12 * HOUR}


def by_hand() -> History:
    """Thirty days, counted by hand:

    warm at series 1, medium  day 0, 10:00, 10:00:20, 10:00:59: each gone in 1 s    a bout by both measures, 2 repeats
                              day 1, 12:00: stands 2 h, acknowledged after 1 h      true
                              day 2, 12:00: stands 30 s                             fleeting by both
                              day 3, 12:00: stands 30 min, seen after 10 min        by neither
                              day 3, 18:00: stands 30 min, seen after 40 min        fleeting by the hour
    dry at series 2, high     day 5, 00:00: stands 24 h to the ms                   not stale
                              day 8, 00:00: stands 36 h, acknowledged after 13 h    stale from day 9; seen late (12 h)
                              day 29, 12:00: stands on, not acknowledged
    silent at series 3, low   day -2, 00:00: before the window; gone day 9, 12:00   stale on every day until then
    """
    history = History()
    history.call(-2 * DAY, None, None, "silent", series=3, priority="low")
    for s in (0, 20, 59):
        history.call(10 * HOUR + s * 1_000, 1_000)
    history.call(DAY + 12 * HOUR, 2 * HOUR, HOUR)
    history.call(2 * DAY + 12 * HOUR, 30_000)
    history.call(3 * DAY + 12 * HOUR, 30 * MIN, 10 * MIN)
    history.call(3 * DAY + 18 * HOUR, 30 * MIN, 40 * MIN)
    history.call(5 * DAY, DAY, None, "dry", series=2, priority="high")
    history.call(8 * DAY, 36 * HOUR, 13 * HOUR, "dry", series=2, priority="high")
    history.add(9 * DAY + 12 * HOUR, Event.CLEARED, "silent", 3, "low")
    history.call(29 * DAY + 12 * HOUR, None, None, "dry", series=2, priority="high")
    return history


FIGURES = {
    # 10 alarms in the window: 3 + 4 of warm, 3 of dry. Returns told: 7 + 2, and 1 of silent. 20 messages in 30 days.
    "messages_per_day": 20 / 30,
    "alarms_per_day": 10 / 30,
    "alarms_in_worst_day": 3,
    "alarms_per_hour": 10 / 720,
    "alarms_in_worst_hour": 3,
    "alarms_per_10_min": 10 / 4320,
    "alarms_in_worst_10_min": 3,
    "hours_over_30": 0,
    "ten_minutes_over_10": 0,
    "time_in_flood": 0,
    "top_ten_share": 100,
    "chattering_minute": 1,
    "chattering_hour": 1,
    "fleeting_minute": 1,
    "fleeting_hour": 2,
    "stale": 2,  # on day 9 `silent` (until 12:00) and `dry` (from 00:00 on)
    "high_share": 30,
    "medium_share": 70,
    "low_share": 0,
    "acknowledge_median": 40 * MIN,  # 10 min, 40 min, 1 h, 13 h: the second of four
    "acknowledge_p90": 13 * HOUR,
    "acknowledged_late": 1,
    "never_acknowledged": 5,  # 3 + 1 of warm, dry of day 5; the one that stands is not lost yet
    "standing": 1,
}


def test_figures_counted_by_hand() -> None:
    """Every figure of the history above is what a person counts."""
    found = audit(by_hand().changes, MONTH, UTC, RESPOND)
    assert {figure.name: figure.value for figure in found.figures} == pytest.approx(FIGURES)
    assert (found.count, found.messages, found.floods) == (10, 20, ())
    assert dict(found.priorities) == {"low": 0, "medium": 7, "high": 3}


def test_actors_counted_by_hand() -> None:
    """The most frequent alarm comes first; one that only stood is among them."""
    found = audit(by_hand().changes, MONTH, UTC, RESPOND)
    warm, dry, silent = found.actors
    assert (warm.alarm, warm.place, warm.priority, warm.count) == (AlarmKey("warm", 1), "maple/1", "medium", 7)
    assert (warm.bouts_minute, warm.repeats_minute, warm.bouts_hour, warm.repeats_hour) == (1, 2, 1, 2)
    assert (warm.fleeting_minute, warm.fleeting_hour, warm.stale, warm.never_acknowledged) == (1, 2, 0, 4)
    assert (dry.count, dry.share, dry.stale, dry.fleeting_hour, dry.never_acknowledged) == (3, 30, 1, 0, 1)
    assert (silent.alarm, silent.count, silent.stale) == (AlarmKey("silent", 3), 0, 1)


def test_what_stands_at_the_end() -> None:
    """What has not ended by the end of the window stands, whatever came after."""
    history = by_hand()
    history.add(31 * DAY, Event.CLEARED, "dry", 2)
    (standing,) = audit(history.changes, MONTH, UTC, RESPOND).standing
    assert (standing.alarm.rule, standing.from_ms, standing.acknowledged_ms) == ("dry", T0 + 29 * DAY + 12 * HOUR, None)


def test_verdicts_need_the_limits_they_stand_beside() -> None:
    """A figure is over the standard, over the target of the lab, over neither, or not to be judged."""
    found = audit(by_hand().changes, MONTH, UTC, RESPOND)
    met = {figure.name: (figure.standard_met, figure.target_met) for figure in found.figures}
    assert met["alarms_per_day"] == (True, True)
    assert met["messages_per_day"] == (None, True)
    assert met["chattering_minute"] == (False, False)
    assert met["stale"] == (True, False)
    assert met["top_ten_share"] == (None, None)
    assert found.value("stale") == 2


def test_one_message_a_day_is_not_under_one() -> None:
    """The aim of the lab is under one message a day: exactly one misses it."""
    found = audit(onsets([n * 2 * DAY for n in range(15)]), MONTH, UTC, {})
    (figure,) = (one for one in found.figures if one.name == "messages_per_day")
    assert (figure.value, figure.target_met) == (1, False)


# ---- the life of an occurrence -------------------------------------------------------------------------------------


def test_called_once_more_counts_again_and_stands_from_the_first() -> None:
    """A re-alarm is one more call to people; for stale the alarm has stood since the first."""
    history = History()
    history.call(0, None, HOUR)
    history.add(20 * HOUR, Event.RE_ALARMED)
    history.add(30 * HOUR, Event.CLEARED)
    first, second = occurrences(history.changes)
    assert (first.repeated, first.ended_ms, first.acknowledged_ms) == (True, T0 + 20 * HOUR, T0 + HOUR)
    assert (second.t_ms, second.from_ms, second.ended_ms) == (T0 + 20 * HOUR, T0, T0 + 30 * HOUR)
    found = audit(history.changes, MONTH, UTC, {})
    assert (found.count, found.value("stale")) == (2, 1)


def test_shelved_and_suppressed_alarms_call_nobody() -> None:
    """What happens while an alarm is shelved is not counted; leaving it with the condition there calls people."""
    history = History()
    history.call(0, None)
    history.add(HOUR, Event.SHELVED)
    history.add(2 * HOUR, Event.CLEARED)
    history.add(3 * HOUR, Event.RAISED)
    history.add(4 * HOUR, Event.UNSHELVED, active=True)
    history.add(5 * HOUR, Event.RULE_REMOVED)
    first, second = occurrences(history.changes)
    assert (first.t_ms, first.ended_ms, first.cleared) == (T0, T0 + HOUR, False)
    assert (second.t_ms, second.ended_ms, second.cleared) == (T0 + 4 * HOUR, T0 + 5 * HOUR, False)
    assert audit(history.changes, MONTH, UTC, {}).messages == 2


def test_an_end_without_a_beginning_is_no_occurrence() -> None:
    """Where the history begins in the middle of an alarm, nothing is made up."""
    history = by_hand()
    cleared = replace(history.changes[-2], id=1)
    assert cleared.event is Event.CLEARED
    assert occurrences([cleared]) == ()


def test_seen_twice_counts_the_first_time() -> None:
    """Only the first acknowledgement tells how long it took."""
    history = History()
    history.call(0, None, MIN)
    twice = replace(history.changes[-1], id=9, t_ms=T0 + HOUR)
    (one,) = occurrences([*history.changes, twice])
    assert one.acknowledged_ms == T0 + MIN


def test_rules_without_a_known_time_to_respond_are_never_late() -> None:
    """An alarm whose rule is gone cannot have been acknowledged late."""
    history = History()
    history.call(0, None, 20 * DAY)
    assert audit(history.changes, MONTH, UTC, {}).value("acknowledged_late") == 0


# ---- odd histories ---------------------------------------------------------------------------------------------------


def test_nothing_happened() -> None:
    """An empty history over a watched month: rates are zero, and what has no alarm to measure is not there."""
    found = audit([], MONTH, UTC, {})
    assert (found.count, found.actors, found.standing, found.window.enough) == (0, (), (), True)
    assert found.value("alarms_per_day") == 0
    assert found.value("acknowledge_median") is None
    assert found.value("top_ten_share") is None
    assert found.value("low_share") is None


def test_nothing_was_watched() -> None:
    """Without a day of data there are counts and no rates, and no verdict."""
    found = audit(onsets([0]), Window(T0, T0 + DAY, 0), UTC, {})
    assert (found.count, found.value("alarms_per_day"), found.value("time_in_flood")) == (1, None, None)
    assert not found.window.enough


def test_one_row() -> None:
    """One alarm that came and stands: one of everything."""
    history = History()
    history.call(HOUR, None)
    found = audit(history.changes, MONTH, UTC, {})
    assert (found.count, found.messages, found.value("standing"), found.value("stale")) == (1, 1, 1, 1)
    assert found.value("never_acknowledged") == 0


@pytest.mark.parametrize(("missing_ms", "enough"), [(0, True), (HOUR, True), (HOUR + 1, False), (DAY, False)])
def test_thirty_days_are_enough(missing_ms: int, enough: bool) -> None:
    """A verdict takes 30 days of data; within the hour will do, so that 'the last 30 days' are always enough."""
    assert Window(T0, T0 + 30 * DAY, 30 * DAY - missing_ms).enough is enough


def test_days_are_those_of_the_lab_when_the_clocks_change() -> None:
    """On 2026-03-29 Berlin has 23 hours: alarms at 00:30 and 23:30 there are of one day, in UTC of two."""
    first, last = 1_774_740_600_000, 1_774_819_800_000  # 2026-03-28T23:30Z and 2026-03-29T21:30Z
    changes = onsets([first - T0, last - T0])
    window = Window(first - DAY, last + DAY, 3 * DAY)
    assert audit(changes, window, ZoneInfo("Europe/Berlin"), {}).value("alarms_in_worst_day") == 2
    assert audit(changes, window, UTC, {}).value("alarms_in_worst_day") == 1


def test_stale_days_follow_the_changed_clock() -> None:
    """Where the clocks go back, 24 h after midnight is 23:00 of the same day and 25 h the next midnight: two alarms
    that are stale one after the other are so on different days there, and on one day where no clock changes."""
    midnight = 1_792_879_200_000  # 2026-10-25T00:00 in Berlin
    history = History()
    history.call(midnight - T0, 24 * HOUR + 30 * MIN)
    history.call(midnight - T0 + HOUR, 24 * HOUR + 30 * MIN, None, "dry", series=2)
    window = Window(midnight, midnight + 30 * DAY, 30 * DAY)
    assert audit(history.changes, window, ZoneInfo("Europe/Berlin"), {}).value("stale") == 1
    assert audit(history.changes, window, timezone(timedelta(hours=2)), {}).value("stale") == 2


def test_time_going_back_is_taken_as_it_came() -> None:
    """An acknowledgement stamped before its alarm (a probe whose clock is ahead) took no time, not less than none."""
    history = History()
    history.add(5 * MIN, Event.RAISED)
    history.add(0, Event.ACKNOWLEDGED)
    history.add(3 * MIN, Event.CLEARED)
    found = audit(history.changes, MONTH, UTC, RESPOND)
    assert (found.value("acknowledge_median"), found.value("standing"), found.value("stale")) == (0, 0, 0)


# ---- any history -----------------------------------------------------------------------------------------------------

STEPS = st.lists(
    st.tuples(
        st.integers(-3 * DAY, 33 * DAY) | st.integers(0, 3 * HOUR),
        st.sampled_from(list(Event)),
        st.sampled_from(["warm", "dry"]),
        st.integers(1, 2),
        st.sampled_from(["low", "medium", "high", ""]),
        st.booleans(),
    ),
    max_size=60,
)
WINDOWS = st.tuples(st.integers(0, 5 * DAY), st.integers(1, 30 * DAY), st.integers(0, 100)).map(
    lambda told: Window(T0 + told[0], T0 + told[0] + told[1], told[1] * told[2] // 100)
)


def made(steps: list[tuple[int, Event, str, int, str, bool]]) -> list[PastChange]:
    history = History()
    for t_ms, event, rule, series, priority, active in steps:
        history.add(t_ms, event, rule, series, priority, active=active)
    return history.changes


@given(STEPS, WINDOWS, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(
    steps: list[tuple[int, Event, str, int, str, bool]], window: Window, mix: random.Random
) -> None:
    """Shuffled, the same history gives the same audit, whatever its times do."""
    changes = made(steps)
    shuffled = list(changes)
    mix.shuffle(shuffled)
    zone = ZoneInfo("America/New_York")
    assert audit(shuffled, window, zone, RESPOND) == audit(changes, window, zone, RESPOND)


@given(STEPS, WINDOWS)
def test_parts_add_up(steps: list[tuple[int, Event, str, int, str, bool]], window: Window) -> None:
    """Actors and priorities sum to the whole, shares stay within 100 %, counts are of what lies in the window."""
    changes = made(steps)
    found = audit(changes, window, UTC, RESPOND)
    called = [one for one in changes if one.after == "unacknowledged" != one.before and _inside(one.t_ms, window)]
    assert found.count == len(called) == sum(one.count for one in found.actors) == sum(found.priorities.values())
    assert found.messages >= found.count
    for figure in found.figures:
        assert figure.value is None or figure.value >= 0
        assert figure.measured.unit != "%" or figure.value is None or figure.value <= 100 + 1e-9
    for one in found.actors:
        assert one.repeats_minute <= one.repeats_hour <= max(0, one.count - 1)
        assert one.fleeting_minute + one.bouts_minute <= one.count


def _inside(t_ms: int, window: Window) -> bool:
    return window.since_ms <= t_ms < window.until_ms


@given(st.lists(st.integers(0, 10**6), max_size=40).map(sorted), st.integers(0, 10**5))
def test_bouts_are_what_every_three_in_a_row_say(times: list[int], within: int) -> None:
    """An alarm is in a bout exactly if some three in a row that hold it lie within the time; runs do not touch."""
    found = bouts(times, within)
    inside = {number for first, end in found for number in range(first, end)}
    close = {i for i in range(len(times) - 2) if times[i + 2] - times[i] <= within}
    assert inside == {number for i in close for number in (i, i + 1, i + 2)}
    assert all(one[1] <= other[0] for one, other in pairwise(found))


@given(st.dictionaries(st.integers(0, 60), st.integers(1, 14), max_size=40))
def test_floods_are_what_walking_the_intervals_says(counts: dict[int, int]) -> None:
    """Interval by interval: above 10 a flood begins, below 5 (or nothing at all) it is over."""
    flooded, walked = False, set()
    for interval in range(62):
        number = counts.get(interval, 0)
        flooded = number > 10 or (flooded and number >= 5)
        if flooded:
            walked.add(interval)
    assert {i for first, end in flood_intervals(counts) for i in range(first, end)} == walked


@pytest.mark.parametrize(
    ("values", "share", "expected"),
    [
        ([], 0.5, None),
        ([7], 0.9, 7),
        ([4, 1, 3, 2], 0.5, 2),
        (list(range(1, 11)), 0.9, 9),
        (list(range(1, 12)), 0.9, 10),
    ],
)
def test_percentiles_by_nearest_rank(values: list[int], share: float, expected: int | None) -> None:
    """The smallest value that the share does not pass; never one that did not occur."""
    assert percentile(values, share) == expected


def test_a_flood_is_told_with_its_alarms() -> None:
    """A flood begins and ends with its ten minutes and says how many alarms it held."""
    times = [20 * MIN + n * 1_000 for n in range(12)] + [30 * MIN + n * MIN for n in range(6)]
    found: Audit = audit(onsets(times), Window(T0, T0 + 100 * MIN, 100 * MIN), UTC, {})
    (flood,) = found.floods
    assert flood == (T0 + 20 * MIN, T0 + 40 * MIN, 18)
    assert found.value("time_in_flood") == 20
