"""What the digest gathers from the journal, when it is due, and what the ahead makes of hourly figures."""

from dataclasses import replace
from datetime import date

import pytest

from collector.alarms.model import AlarmKey, AlarmState, Event, Priority, State, Transition
from collector.config.home import Home
from collector.domain.diary import Brew, DiaryEntry, DiaryKind
from collector.domain.hours import every_day
from collector.domain.lab import Lab, SeriesKey, Telling
from collector.domain.schooldays import SchoolDays, Span
from collector.husbandry.ahead import TrayAhead
from collector.husbandry.drying import Assumed
from collector.husbandry.watering import GOAL_PCT
from collector.reports.ahead_view import back_at_ms, early_back_ms, school_days_left, trays_ahead
from collector.reports.digest_view import digest_view, due_day
from collector.store.batch import Batch, HistoryRow
from collector.store.reader import Reader
from tests.letters.examples import at
from tests.worlds import values
from tests.worlds.brew_home import journal_of
from tests.worlds.values import DAY, HOUR, MIN, T0

MOISTURE = SeriesKey(probe="juniper-top", channel="moisture", measure="bedding_moisture", place="juniper/top")
TEMPERATURE = SeriesKey(probe="juniper-top", channel="temperature", measure="bedding_temperature", place="juniper/top")
PUMP = SeriesKey(probe="kettle-pump", channel="pump", measure="air_pump", place="kettle")
FRIDAY = T0 + 4 * DAY
"""6 March 2026, 08:00 UTC."""
MONDAY_MORNING = T0 + 7 * DAY - HOUR


def lab(zone: str = "America/Chicago", **school: object) -> Lab:
    days = SchoolDays(**school)  # type: ignore[arg-type]
    telling = Telling(waking=every_day(0, 1440, zone), digest_minute=420)
    return values.lab(time_zone=zone, telling=telling, school_days=days)


@pytest.mark.parametrize(
    ("now_ms", "last", "due"),
    [
        (at(3, 6, 59), "", None),
        (at(3, 7), "", date(2025, 3, 3)),
        (at(3, 12, 59), "2025-02-28", date(2025, 3, 3)),
        (at(3, 13), "", None),
        (at(3, 8), "2025-03-03", None),
        (at(3, 8), "2025-03-04", None),
        (at(3, 8), "2026-03-03", date(2025, 3, 3)),
        (at(8, 7), "", None),
        (at(9, 7), "", None),
        (at(10, 7), "", date(2025, 3, 10)),
    ],
    ids=[
        "early",
        "on time",
        "late start",
        "too late",
        "sent already",
        "sent in a time zone farther east",
        "sent under a clock a year ahead",
        "Saturday",
        "Sunday, clocks go forward",
        "Monday",
    ],
)
def test_the_digest_is_due_once_each_school_morning(now_ms: int, last: str, due: date | None) -> None:
    """At its time on the lab's clock, also the day after the clocks changed; six hours late at most."""
    assert due_day(lab(), last, now_ms) == due


def test_no_digest_on_a_holiday() -> None:
    """A Monday in a break is no school morning."""
    assert due_day(lab(closed=((date(2025, 3, 1), date(2025, 3, 9)),)), "", at(3, 7)) is None


def test_somebody_is_back_on_the_first_school_day_after_the_next_break() -> None:
    """On a Wednesday that is Monday morning; on the last day before a holiday, the morning it ends."""
    assert back_at_ms(lab(), at(5, 10)) == at(10, 7)
    assert back_at_ms(lab(closed=((date(2025, 3, 7), date(2025, 3, 16)),)), at(6, 15)) == at(17, 7)
    assert back_at_ms(lab(weekdays=frozenset(range(7))), at(5, 10)) is None
    assert back_at_ms(lab(terms=((date(2025, 1, 1), date(2025, 3, 5)),)), at(5, 10)) is None


def fill(home: Home, until_ms: int, per_day: float = -2.0, level: float = 75.0, hours: int = 72) -> None:
    """Three days of hourly readings of Juniper's top tray that end at `level`, where it falls by `per_day`; it loses
    the same water each day."""
    share = level / (100 - level)
    lost = -per_day / 100 * (1 + share) ** 2
    with journal_of(home) as journal:
        number = journal.series_id(MOISTURE, "%", "juniper", "top", T0)
        batch = Batch()
        for n in range(hours):
            ago_h = n + 0.5
            water = share + lost * ago_h / 24
            value = 100 * water / (1 + water)
            batch.rows.append((until_ms - round(ago_h * HOUR), number, value, 1, value, 0))
        journal.commit(batch, until_ms)
        for _ in range(30):
            journal.tidy(until_ms)


def ahead(home: Home, now_ms: int = FRIDAY, until_ms: int = MONDAY_MORNING, **more: object) -> TrayAhead:
    known = home.load_lab()
    known = replace(known, places=tuple(replace(place, **more) for place in known.places))  # type: ignore[arg-type]
    with Reader(home.database) as reader:
        diary = [entry for entry in reader.diary() if entry.struck_ms is None]
        found = {one.place: one for one in trays_ahead(known, home.load_rules(), reader, diary, now_ms, until_ms)}
    return found["juniper/top"]


def test_a_tray_that_dries_is_told_where_to_leave_it(brew_home: Home) -> None:
    """It holds 3 kg of water for each kg dry and loses 0.32 kg a day: on Monday 2.05 kg, 67.3 %; three days of record
    are told a little short. Left so much wetter that it comes through at 70 % 9 of 10 times; half a kg of dry bedding
    needs 0.5 (M2/(100-M2) - 75/25) L for that (trade formula W_add = W (M2 - M1) / (100 - M2))."""
    fill(brew_home, FRIDAY)
    found = ahead(brew_home, dry_kg=0.5)
    assert found.at_end is not None
    assert 67.2 < found.at_end.about < 68.3
    assert found.at_end.low < found.at_end.about - 1 < found.at_end.high - 2
    assert found.leave_at == pytest.approx(70 + found.level - found.at_end.low)
    assert found.leave_at is not None
    assert found.deed is not None
    assert found.deed.total_l == pytest.approx(
        0.5 * (found.leave_at / (100 - found.leave_at) - found.level / (100 - found.level)), rel=0.05
    )
    assert found.enough
    assert found.assumed == (Assumed.HUMIDITY, Assumed.ROOM, Assumed.BED)


def test_a_tray_that_is_watered_before_a_break_is_brought_to_the_goal_of_all_water(brew_home: Home) -> None:
    """At 71 % and 0.5 % a day some 74 % would do until Monday: the digest and an alarm's mail say 77.5 %, and so does
    this."""
    fill(brew_home, FRIDAY, per_day=-0.5, level=71.0)
    found = ahead(brew_home)
    assert found.at_end is not None
    assert 71 < 70 + found.level - found.at_end.low < GOAL_PCT
    assert found.leave_at == GOAL_PCT
    assert found.enough


def test_a_wet_tray_comes_through(brew_home: Home) -> None:
    """At 84 % and 1 % a day there is nothing to do."""
    fill(brew_home, FRIDAY, per_day=-1.0, level=84.0)
    found = ahead(brew_home)
    assert (found.leave_at, found.deed, found.dry) == (None, None, None)


def test_a_tray_that_cannot_be_carried_through_says_so(brew_home: Home) -> None:
    """At 10 % a day three days need more than a tray can hold: below the alarm's 60 % in a day and a quarter (3 kg of
    water for each kg dry less 1.6 kg a day are 1.5 kg after 0.94 days; three days of record are told a little short),
    before anybody is back."""
    fill(brew_home, FRIDAY, per_day=-10.0, level=75.0)
    found = ahead(brew_home)
    assert found.dry is not None
    assert found.dry.limit == 60.0
    assert found.dry.about_ms == pytest.approx(FRIDAY + 1.0 * DAY, abs=3 * HOUR)
    assert FRIDAY < found.dry.early_ms < FRIDAY + DAY
    assert found.leave_at == 85.0
    assert found.deed is not None
    assert (found.deed.today_l, found.deed.estimated) == (1.0, True)
    assert not found.enough


SPRING = ((date(2026, 3, 16), date(2026, 3, 20)),)
"""A week off: from Saturday 14 to Sunday 22 March there are no lessons."""


@pytest.mark.parametrize(
    ("zone", "closed", "days"),
    [
        ("America/Chicago", SPRING, [date(2026, 3, 9)]),
        ("Europe/Berlin", ((date(2026, 3, 30), date(2026, 4, 10)),), [date(2026, 3, 23)]),
        ("America/Chicago", ((date(2026, 3, 12), date(2026, 3, 13)),), [date(2026, 3, 5)]),
        ("America/Chicago", ((date(2026, 3, 11), date(2026, 3, 11)), *SPRING), [date(2026, 3, 4), date(2026, 3, 12)]),
        ("America/Chicago", (), []),
    ],
    ids=["a week after a change of the clock", "two weeks with one in them", "a Thursday", "a day off before", "none"],
)
def test_a_holiday_is_told_five_school_days_ahead_once(zone: str, closed: tuple[Span, ...], days: list[date]) -> None:
    """Weekends are none of these days, and the clock going forward changes nothing. Where another break lies between,
    it is told on the first day after that."""
    school = lab(zone, closed=closed)
    march = [date(2026, 3, n) for n in range(1, 30)]
    assert [day for day in march if early_back_ms(school, day) is not None] == days


def test_who_is_back_after_a_holiday_is_back_at_the_digests_time() -> None:
    """Monday 23 March 2026 at 07:00 in Chicago, by then on daylight saving time: 12:00 UTC; until then there are five
    school days, today among them."""
    school = lab("America/Chicago", closed=SPRING)
    back_ms = early_back_ms(school, date(2026, 3, 9))
    assert back_ms == T0 + 21 * DAY + 4 * HOUR
    assert school_days_left(school, T0 + 7 * DAY + 5 * HOUR, back_ms) == 5
    assert school_days_left(school, T0 + 11 * DAY + 5 * HOUR, back_ms) == 1
    assert school_days_left(school, T0 + 12 * DAY + 5 * HOUR, back_ms) == 1, "a Saturday: whoever looks is there"


def test_water_before_a_holiday_is_spread_over_the_days_there_are(brew_home: Home) -> None:
    """1.5 kg of dry bedding at 70 % that lose 0.3 % a day are left as wet as nine days ask for 9 of 10 times; that
    takes 1.5 (M2/(100-M2) - 70/30) L. Six school days are enough for it, not for three times as much; no day is told
    more than a litre."""
    fill(brew_home, FRIDAY, per_day=-0.3, level=70.0)
    found = ahead(brew_home, until_ms=FRIDAY + 9 * DAY, dry_kg=1.5)
    assert found.deed is not None
    assert found.leave_at is not None
    assert found.deed.today_l == 1.0
    assert found.deed.total_l == pytest.approx(1.5 * (found.leave_at / (100 - found.leave_at) - 70 / 30), abs=0.05)
    assert found.days == 6
    assert found.enough
    assert not ahead(brew_home, until_ms=FRIDAY + 9 * DAY, dry_kg=4.5).enough


def test_what_was_before_the_last_watering_does_not_count(brew_home: Home) -> None:
    """Four hours after watering nothing can be foreseen; struck out, the watering is as if it had not been."""
    fill(brew_home, FRIDAY)
    watered = DiaryEntry(
        id=1,
        t_ms=FRIDAY - 4 * HOUR,
        taken_ms=FRIDAY,
        place="juniper/top",
        kind=DiaryKind.WATERED,
        amount=0.5,
        result=None,
        by="class 4b",
    )
    with journal_of(brew_home) as journal:
        batch = Batch()
        batch.diary[1] = watered
        journal.commit(batch, FRIDAY)
    assert ahead(brew_home).why_not == "too little is known since it was last watered or fed"
    with journal_of(brew_home) as journal:
        batch = Batch()
        batch.diary[1] = replace(watered, struck_ms=FRIDAY, struck_by="teacher")
        journal.commit(batch, FRIDAY)
    assert ahead(brew_home).why_not == ""


def test_a_long_break_is_foreseen_for_nine_days(brew_home: Home) -> None:
    """Nine days ahead and no further. A week off with the weekends at both its ends is
    ten days: what is known of nine is told, with how far that reaches."""
    fill(brew_home, FRIDAY)
    nine = ahead(brew_home, until_ms=FRIDAY + 9 * DAY)
    assert (nine.why_not, nine.seen_until_ms) == ("", None)
    assert ahead(brew_home, until_ms=FRIDAY + 10 * DAY) == replace(nine, seen_until_ms=FRIDAY + 9 * DAY)


def test_a_silent_probe_foretells_nothing(brew_home: Home) -> None:
    """No usable reading in three days: said, and not taken for dry."""
    fill(brew_home, FRIDAY - 10 * DAY)
    found = ahead(brew_home)
    assert found.why_not == "no usable reading in the last three days"
    assert found.dry is None


def _change(event: Event, before: State, after: State, t_ms: int) -> HistoryRow:
    change = Transition(
        key=AlarmKey("bedding-hot", 0),
        event=event,
        before=before,
        after=after,
        t_ms=t_ms,
        since_ms=T0 - 9 * HOUR,
        raised_ms=T0 - 8 * HOUR,
        value=31.0,
    )
    return HistoryRow(
        transition=change, place="juniper/top", measure="bedding_temperature", priority="high", noticed_ms=t_ms
    )


def test_the_view_holds_what_stands_and_what_came_and_went(brew_home: Home) -> None:
    """Standing alarms with since when and whether somebody is on it; what ended since the last digest; the newest
    reading of each series of the lab; the last brew."""
    with journal_of(brew_home) as journal:
        number = journal.series_id(TEMPERATURE, "Cel", "juniper", "top", T0)
        pump = journal.series_id(PUMP, "on/off", "", "", T0)
        batch = Batch()
        batch.rows += [(T0 - MIN, number, 31.0, 1, 31.0, 0), (T0 - MIN, pump, 0.0, 1, 0.0, 0)]
        for row in (
            _change(Event.CLEARED, State.UNACKNOWLEDGED, State.RETURNED, T0 - 2 * HOUR),
            _change(Event.CLEARED, State.ACKNOWLEDGED, State.NORMAL, T0 - 30 * HOUR),
            _change(Event.ACKNOWLEDGED, State.RETURNED, State.NORMAL, T0 - HOUR),
        ):
            batch.transitions.append(
                replace(row, transition=replace(row.transition, key=AlarmKey("bedding-hot", number)))
            )
        for rule, state in (
            ("bedding-hot", State.ACKNOWLEDGED),
            ("bedding-dry", State.SHELVED),
            ("gone", State.ACKNOWLEDGED),
        ):
            batch.states[AlarmKey(rule, number)] = AlarmState(
                key=AlarmKey(rule, number),
                state=state,
                active=True,
                since_ms=T0 - HOUR,
                raised_ms=T0 - HOUR,
                changed_ms=T0,
            )
        batch.brews[1] = Brew(
            id=1,
            place="kettle",
            started_ms=T0 - DAY,
            air_stopped_ms=None,
            ended_ms=None,
            taken_ms=T0 - DAY,
            by="class 4b",
        )
        journal.commit(batch, T0)
    known = brew_home.load_lab()
    with Reader(brew_home.database) as reader:
        found = digest_view(known, brew_home.load_rules(), reader, T0 - DAY, T0)
    assert [(one.rule.name, one.since_ms, one.acknowledged) for one in found.standing] == [
        ("bedding-hot", T0 - HOUR, True)
    ]
    assert found.standing[0].rule.priority is Priority.HIGH
    assert [(one.from_ms, one.to_ms) for one in found.past] == [(T0 - 9 * HOUR, T0 - 2 * HOUR)]
    assert {series.measure: last.value for series, last in found.newest} == {
        "bedding_temperature": 31.0,
        "air_pump": 0.0,
    }
    assert [(one.brew.id, one.stopped_ms, one.used) for one in found.brews] == [(1, T0 - MIN, False)]
    assert found.day == date(2026, 3, 2)
    assert found.back_ms is None
    assert found.ahead == ()


@pytest.mark.parametrize(("since_h", "counts"), [(9, 1), (7, 0)], ids=["told before", "never told"])
def test_what_ended_while_it_was_suppressed_counts_where_people_were_called(
    brew_home: Home, since_h: int, counts: int
) -> None:
    """A tray that was watered while its alarm stood came and went; one that was dry only while nobody was to be called
    did not."""
    ended = _change(Event.CLEARED, State.SUPPRESSED, State.SUPPRESSED, T0 - 2 * HOUR)
    ended = replace(ended, transition=replace(ended.transition, since_ms=T0 - since_h * HOUR))
    with journal_of(brew_home) as journal:
        batch = Batch()
        batch.transitions.append(ended)
        journal.commit(batch, T0)
    with Reader(brew_home.database) as reader:
        found = digest_view(brew_home.load_lab(), brew_home.load_rules(), reader, T0 - DAY, T0)
    assert len(found.past) == counts


def test_on_a_friday_the_view_looks_ahead(brew_home: Home) -> None:
    """The ahead of each tray whose moisture was ever heard, until Monday morning."""
    fill(brew_home, FRIDAY)
    with Reader(brew_home.database) as reader:
        found = digest_view(brew_home.load_lab(), brew_home.load_rules(), reader, FRIDAY - DAY, FRIDAY)
    assert found.back_ms == MONDAY_MORNING
    assert [one.place for one in found.ahead] == ["juniper/top"]
