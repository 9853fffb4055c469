"""Lab hours: what can be written, and when the lab is open by its own clock, also on the days the clocks change."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.config.lab_file import lab_schema, read_lab
from collector.config.yaml.text import read_yaml
from collector.domain.hours import (
    DAYS,
    Hours,
    Span,
    clipped,
    doubled_day,
    local_text,
    merged,
    parse_days,
    parse_ranges,
    week_of,
)
from collector.domain.schooldays import SchoolDays
from tests.config.lab_texts import refusals
from tests.worlds.values import DAY, HOUR, MIN

NEW_YORK = "America/New_York"


def at(text: str, zone: str = NEW_YORK, fold: int = 0) -> int:
    """The moment at which the clock of the zone shows this."""
    return round(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold).timestamp()) * 1000


def hours(zone: str = NEW_YORK, **days: str) -> Hours:
    """`mon_fri="08:00-16:00"`; several ranges with commas."""
    return Hours(
        week=week_of({key.replace("_", "-"): parse_ranges(text.split(",")) for key, text in days.items()}), zone=zone
    )


# What can be written ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "days"),
    [
        ("mon", (0,)),
        ("mon-fri", (0, 1, 2, 3, 4)),
        ("fri-mon", (4, 5, 6, 0)),
        ("sun-sun", (6,)),
        ("tue-mon", (1, 2, 3, 4, 5, 6, 0)),
    ],
)
def test_days(text: str, days: tuple[int, ...]) -> None:
    """One day, or a span of days that may run over the end of the week."""
    assert parse_days(text) == days


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("Monday", "did you mean 'mon'?"),
        ("Mon - Fri", "did you mean 'mon-fri'?"),
        ("weekdays", "write 'mon' or 'mon-fri'"),
        ("", "write 'mon' or 'mon-fri'"),
        ("mon-", "write 'mon' or 'mon-fri'"),
        ("mon-tue-wed", "write 'mon' or 'mon-fri'"),
    ],
)
def test_what_is_no_day_is_answered_with_what_would_be(text: str, right: str) -> None:
    """A slip gets the nearest; anything else an example."""
    with pytest.raises(ValueError, match=right.replace("?", r"\?")) as refused:
        parse_days(text)
    assert str(refused.value).startswith(f"{text!r} is not a day or a span of days")


@pytest.mark.parametrize(
    ("value", "ranges"),
    [
        ("08:00-16:00", ((480, 960),)),
        ("00:00-24:00", ((0, 1440),)),
        (["13:00-16:00", "08:00-12:00"], ((480, 720), (780, 960))),
        (["08:00-12:00", "12:00-13:00"], ((480, 720), (720, 780))),
    ],
)
def test_ranges(value: object, ranges: tuple[Span, ...]) -> None:
    """One range or a list, sorted; two may touch; a day may be whole."""
    assert parse_ranges(value) == ranges


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("8 to 4", "'8 to 4' is not a range of hours; write it like '08:00-16:00'"),
        ("8:00-16:00", "write it like '08:00-16:00'"),
        (960, "960 is not a range of hours"),
        (None, "None is not a range of hours"),
        ([], "holds no hours"),
        ("08:60-16:00", "is not on the clock"),
        ("08:00-16:60", "is not on the clock"),
        ("08:00-24:01", "is not on the clock"),
        ("16:00-08:00", "does not end after its start"),
        ("08:00-08:00", "does not end after its start"),
        (["08:00-12:00", "11:30-13:00"], "overlap at 11:30"),
    ],
)
def test_what_is_no_range_says_why(value: object, said: str) -> None:
    """Each slip has its own words."""
    with pytest.raises(ValueError, match=said):
        parse_ranges(value)


def test_a_week_has_seven_days_closed_but_for_those_named() -> None:
    """Monday first."""
    assert week_of({"sat-sun": ((1, 2),), "tue": ((3, 4),)}) == ((), ((3, 4),), (), (), (), ((1, 2),), ((1, 2),))


def test_a_day_under_two_keys_is_found() -> None:
    """The day and both keys; what is no day has been told already and is passed over."""
    assert doubled_day(["mon-fri", "weekend", "fri"]) == ("fri", "mon-fri", "fri")
    assert doubled_day(["mon", "tue"]) is None


# In lab.yaml --------------------------------------------------------------------------------------------------------


def lab_text(hours_text: str) -> str:
    return f"lab: {{name: Worm lab, time_zone: America/New_York, hours: {hours_text}}}\n"


def test_lab_yaml_knows_the_hours_of_the_lab() -> None:
    """Days and their ranges, on the lab's clock; left out or empty, the lab is never open."""
    lab = read_lab(lab_text("{mon-thu: [08:00-12:00, 13:00-16:00], fri: 08:00-13:00}"))
    assert lab.hours == hours(mon_thu="08:00-12:00,13:00-16:00", fri="08:00-13:00")
    assert read_lab(lab_text("")).hours is None
    assert read_lab(lab_text("{}")).hours is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "{Mon: 08:00-16:00}",
            ["lab.hours.Mon: 'Mon' is not a day or a span of days; did you mean 'mon'?"],
        ),
        (
            "{mon: 8 to 4, tue: 16:00}",
            [
                "lab.hours.mon: '8 to 4' is not a range of hours; write it like '08:00-16:00'",
                "lab.hours.tue: 960 is not a range of hours; write it like '08:00-16:00'",
            ],
        ),
        (
            "{mon-fri: 08:00-16:00, fri: 08:00-13:00}",
            ["lab.hours.fri: fri stands under 'mon-fri' already; name each day once"],
        ),
        ("08:00-16:00", ["lab.hours: needs keys with values below it, got '08:00-16:00'"]),
    ],
)
def test_slips_in_the_hours_of_lab_yaml(text: str, said: list[str]) -> None:
    """Each is told once, where it stands, with what would be right."""
    assert refusals(lab_text(text)) == said


@pytest.mark.parametrize("text", ["{mon-fri: 8 to 4}", "{mon-fri: []}", "{mon-fri: 25:00-26:00}"])
def test_the_schema_sees_slips_in_hours(text: str) -> None:
    """An editor marks what the reader refuses."""
    data = read_yaml(lab_text(text), "lab.yaml").data
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, lab_schema())
    assert refusals(lab_text(text))


# Open or not --------------------------------------------------------------------------------------------------------


def test_open_from_the_first_minute_until_before_the_last() -> None:
    """08:00 is open and 16:00 is closed, on days that are named."""
    lab = hours(mon_fri="08:00-12:00,13:00-16:00")
    monday = "2026-03-02"
    assert not lab.holds(at(f"{monday} 08:00") - 1)
    assert lab.holds(at(f"{monday} 08:00"))
    assert not lab.holds(at(f"{monday} 12:00"))
    assert lab.holds(at(f"{monday} 16:00") - 1)
    assert not lab.holds(at(f"{monday} 16:00"))
    assert not lab.holds(at("2026-03-01 10:00"))  # a Sunday


def test_the_next_change_is_the_next_door_that_opens_or_closes() -> None:
    """Within a day, over a pause, over a weekend."""
    lab = hours(mon_fri="08:00-12:00,13:00-16:00")
    assert lab.next_change_ms(at("2026-03-06 07:00")) == at("2026-03-06 08:00")
    assert lab.next_change_ms(at("2026-03-06 08:00")) == at("2026-03-06 12:00")
    assert lab.next_change_ms(at("2026-03-06 12:00")) == at("2026-03-06 13:00")
    assert lab.next_change_ms(at("2026-03-06 16:00")) == at("2026-03-09 08:00")


def test_a_lab_that_never_closes_or_never_opens_never_changes() -> None:
    """Midnight between two whole days is no change."""
    always, never = hours(mon_sun="00:00-24:00"), Hours(week=week_of({}), zone=NEW_YORK)
    now = at("2026-03-06 23:59")
    assert always.holds(now)
    assert always.holds(now + MIN)
    assert always.next_change_ms(now) is None
    assert not never.holds(now)
    assert never.next_change_ms(now) is None
    assert always.spans(now, now + 30 * DAY) == [(now, now + 30 * DAY)]


def test_hours_follow_the_wall_clock_over_the_change() -> None:
    """08:00 is 13:00 UTC in winter and 12:00 UTC in summer; the days between are as long as the clocks make them."""
    lab = hours(mon_sun="08:00-16:00")
    assert at("2026-03-07 08:00") == at("2026-03-07 13:00", "UTC")
    assert lab.next_change_ms(at("2026-03-07 16:00")) == at("2026-03-08 12:00", "UTC")
    assert lab.next_change_ms(at("2026-10-31 16:00")) == at("2026-11-01 13:00", "UTC")


def test_a_limit_in_the_skipped_hour_is_the_moment_of_the_skip() -> None:
    """New York's clock goes from 02:00 to 03:00 on 2026-03-08 (07:00 UTC): 02:30 falls on that moment."""
    skip = at("2026-03-08 07:00", "UTC")
    assert hours(sun="02:30-10:00").spans(skip - DAY, skip + DAY) == [(skip, at("2026-03-08 10:00"))]
    assert hours(sun="01:00-02:30").spans(skip - DAY, skip + DAY) == [(at("2026-03-08 01:00"), skip)]


def test_hours_that_fall_into_the_skipped_hour_come_a_week_later() -> None:
    """A range that the clock never shows is no range that day."""
    lab = hours(sun="02:15-02:45")
    assert lab.next_change_ms(at("2026-03-01 02:45")) == at("2026-03-15 02:15")


def test_an_hour_that_comes_twice_is_open_both_times() -> None:
    """New York's clock shows 01:00 to 02:00 twice on 2026-11-01: open from the first until the second is over."""
    lab = hours(sun="00:30-01:30")
    opens, closes = at("2026-11-01 00:30"), at("2026-11-01 01:30", fold=1)
    assert closes - opens == 2 * HOUR
    assert lab.spans(opens - DAY, closes + DAY) == [(opens, closes)]
    assert hours(sun="01:30-03:00").next_change_ms(opens) == at("2026-11-01 01:30")


def test_a_clock_that_skips_midnight() -> None:
    """Santiago's clock goes from 24:00 to 01:00 (2026-09-06, 04:00 UTC): a day that ends there and one that begins
    there meet."""
    lab, skip = hours("America/Santiago", sat="20:00-24:00", sun="00:00-03:00"), at("2026-09-06 04:00", "UTC")
    evening = at("2026-09-05 20:00", "America/Santiago")
    assert lab.spans(evening - HOUR, skip + DAY) == [(evening, at("2026-09-06 03:00", "America/Santiago"))]


@settings(max_examples=40)
@given(
    st.sampled_from([NEW_YORK, "UTC", "Australia/Lord_Howe", "America/Santiago", "Asia/Kolkata"]),
    st.integers(at("2025-01-01", "UTC"), at("2028-01-01", "UTC")),
    st.lists(st.tuples(st.sampled_from(DAYS), st.integers(0, 1439), st.integers(1, 1440)), min_size=1, max_size=4),
)
def test_between_changes_nothing_changes(zone: str, t_ms: int, said: list[tuple[str, int, int]]) -> None:
    """At the next change it flips; halfway there, and a ms before, it is as it was; spans say the same."""
    lab = Hours(week=week_of({day: ((start, end),) for day, start, end in said if start < end}), zone=zone)
    change = lab.next_change_ms(t_ms)
    if change is None:
        assert lab.spans(t_ms, t_ms + 14 * DAY) in ([], [(t_ms, t_ms + 14 * DAY)])
        return
    assert change > t_ms
    assert lab.holds(change) is not lab.holds(t_ms)
    assert lab.holds(change - 1) is lab.holds(t_ms)
    assert lab.holds((t_ms + change) // 2) is lab.holds(t_ms)
    assert any(change in span for span in lab.spans(t_ms, change + 1)) or lab.holds(t_ms)


@settings(max_examples=40)
@given(st.integers(0, 2 * 366 * 24 * 60), st.integers(0, 1439), st.integers(1, 1440))
def test_away_from_changes_of_the_clock_it_is_what_the_clock_shows(minute: int, start: int, end: int) -> None:
    """In a zone without summer time: open exactly while the wall clock is within the range."""
    lab = hours("Asia/Kolkata", mon_sun=f"00:00-{'00:01' if start >= end else '24:00'}")
    if start < end:
        lab = Hours(week=(((start, end),),) * 7, zone="Asia/Kolkata")
    t_ms = at("2026-01-01", "UTC") + minute * MIN
    local = datetime.fromtimestamp(t_ms / 1000, ZoneInfo("Asia/Kolkata"))
    shows = local.hour * 60 + local.minute
    assert lab.holds(t_ms) is (start <= shows < end if start < end else shows < 1)


# Holidays -----------------------------------------------------------------------------------------------------------

WINTER = date(2026, 12, 21), date(2027, 1, 3)


def test_on_holidays_the_lab_is_closed() -> None:
    """From the last day of school to the first one after it; the days around are as ever."""
    lab = hours(mon_fri="08:00-16:00").with_holidays(SchoolDays(closed=(WINTER,)))
    assert lab.holds(at("2026-12-18 10:00"))
    assert not lab.holds(at("2026-12-21 10:00"))
    assert not lab.holds(at("2027-01-01 10:00"))
    assert lab.holds(at("2027-01-04 10:00"))
    assert lab.next_change_ms(at("2026-12-18 16:00")) == at("2027-01-04 08:00")
    assert lab.spans(at("2026-12-18 12:00"), at("2027-01-04 12:00")) == [
        (at("2026-12-18 12:00"), at("2026-12-18 16:00")),
        (at("2027-01-04 08:00"), at("2027-01-04 12:00")),
    ]


def test_on_holidays_other_hours_may_hold() -> None:
    """Who wakes at seven on a school day sleeps until nine on a holiday."""
    sunday = ((9 * 60, 20 * 60),)
    waking = hours(mon_fri="07:00-21:00", sat_sun="09:00-20:00").with_holidays(SchoolDays(closed=(WINTER,)), sunday)
    assert waking.next_change_ms(at("2026-12-20 20:00")) == at("2026-12-21 09:00")
    assert waking.next_change_ms(at("2026-12-21 09:00")) == at("2026-12-21 20:00")
    assert waking.next_change_ms(at("2027-01-03 20:00")) == at("2027-01-04 07:00")


def test_without_holidays_the_hours_stay_the_same_value() -> None:
    """So that a lab without a calendar is asked nothing more."""
    lab = hours(mon_fri="08:00-16:00")
    assert lab.with_holidays(SchoolDays()) is lab


def test_the_whole_summer_is_looked_over() -> None:
    """Seventy days without a door that opens, and the year between two terms; beyond 415 days nothing is known."""
    lab = hours(mon_fri="08:00-16:00")
    summer = lab.with_holidays(SchoolDays(closed=((date(2026, 6, 19), date(2026, 8, 28)),)))
    assert summer.next_change_ms(at("2026-06-18 16:00")) == at("2026-08-31 08:00")
    terms = lab.with_holidays(
        SchoolDays(terms=((date(2026, 1, 5), date(2026, 3, 6)), (date(2027, 4, 5), date(2027, 6, 4))))
    )
    assert terms.next_change_ms(at("2026-03-06 16:00")) == at("2027-04-05 08:00")
    assert terms.next_change_ms(at("2027-06-04 16:00")) is None


def test_a_lab_that_never_closes_closes_on_holidays() -> None:
    """Open for months, so the next change lies far ahead; and all the same open at its first midnight after."""
    lab = hours(mon_sun="00:00-24:00").with_holidays(SchoolDays(closed=(WINTER,)))
    assert lab.next_change_ms(at("2026-03-01 12:00")) == at("2026-12-21 00:00")
    assert lab.next_change_ms(at("2026-12-21 00:00")) == at("2027-01-04 00:00")
    assert lab.next_change_ms(at("2027-01-04 00:00")) is None
    for days_before in (14, 15, 16):
        now = at("2026-12-21 00:00") - days_before * DAY
        assert lab.next_change_ms(now) == at("2026-12-21 00:00")


def test_a_holiday_is_a_day_of_the_wall_clock_also_where_the_clocks_change() -> None:
    """New York's days of 23 hours (2026-03-08) and 25 hours (2026-11-01), and Santiago's that begins at 01:00."""
    for zone, day, length in ((NEW_YORK, "2026-03-08", 23), (NEW_YORK, "2026-11-01", 25),
                              ("America/Santiago", "2026-09-06", 23)):  # fmt: skip
        off = date.fromisoformat(day)
        lab = hours(zone, mon_sun="00:00-24:00").with_holidays(SchoolDays(closed=((off, off),)))
        closes = lab.next_change_ms(at(day, zone) - DAY)
        assert closes is not None
        opens = lab.next_change_ms(closes)
        assert opens == at(str(off + timedelta(1)), zone)
        assert opens - closes == length * HOUR


def test_lab_yaml_closes_the_lab_on_holidays_and_lets_people_sleep() -> None:
    """The hours of the lab and the waking hours both know the holidays of the file."""
    text = lab_text("{mon-fri: 08:00-16:00}, holidays: [2026-12-21 to 2027-01-03]")
    lab = read_lab(text + "messages: {waking: {mon-sat: 07:00-21:00, sun: 10:00-18:00}}\n")
    assert lab.hours is not None
    assert lab.hours.next_change_ms(at("2026-12-18 16:00")) == at("2027-01-04 08:00")
    assert lab.telling.waking.next_change_ms(at("2026-12-22 06:00")) == at("2026-12-22 10:00")
    assert lab.telling.waking.next_change_ms(at("2026-12-19 06:00")) == at("2026-12-19 07:00")
    weekdays_only = read_lab(text + "messages: {waking: {mon-fri: 07:00-21:00}}\n").telling.waking
    assert weekdays_only.next_change_ms(at("2026-12-18 21:00")) == at("2027-01-04 07:00")


# Spans --------------------------------------------------------------------------------------------------------------


def test_spans_that_touch_become_one_and_empty_ones_go() -> None:
    """Sorted and apart."""
    assert merged([(5, 7), (1, 3), (3, 4), (6, 6), (5, 6), (9, 8)]) == [(1, 4), (5, 7)]
    assert clipped([(1, 4), (5, 7), (8, 9)], 2, 6) == [(2, 4), (5, 6)]
    assert clipped([(1, 4)], 4, 6) == []


def test_local_text() -> None:
    """To the minute, on the clock of the zone."""
    assert local_text(at("2026-03-02 08:00"), NEW_YORK) == "2026-03-02 08:00"
    assert local_text(at("2026-03-02 08:00") + timedelta(seconds=59).seconds * 1000, "UTC") == "2026-03-02 13:00"


def test_an_hour_that_comes_twice_is_told_apart() -> None:
    """New York goes back from 2 to 1 on 1 November 2026, and forward on 8 March, where no time comes twice."""
    november, march, hour = at("2026-11-01 00:59"), at("2026-03-08 01:59"), 3_600_000
    assert [local_text(november + n * hour, NEW_YORK) for n in range(4)] == [
        "2026-11-01 00:59",
        "2026-11-01 01:59 -0400",
        "2026-11-01 01:59 -0500",
        "2026-11-01 02:59",
    ]
    assert [local_text(march + n * hour, NEW_YORK) for n in range(2)] == ["2026-03-08 01:59", "2026-03-08 03:59"]
