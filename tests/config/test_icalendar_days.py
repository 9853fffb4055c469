"""Days off from iCalendar text: which days count, repeats as RFC 5545 has them, time zones, and what is refused."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.config.icalendar_days import days_of
from collector.domain.schooldays import Span

NEW_YORK = ZoneInfo("America/New_York")
HEAD = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Quillbrook School//EN\r\n"
WINDOW = date(1997, 1, 1), date(2028, 12, 31)


def event(*lines: str, uid: str = "1") -> str:
    said = (f"UID:{uid}", "DTSTAMP:20260101T000000Z", *lines)
    return "".join(f"{line}\r\n" for line in ("BEGIN:VEVENT", *said, "END:VEVENT"))


def calendar(*events: str) -> str:
    return f"{HEAD}{''.join(events)}END:VCALENDAR\r\n"


def spans(*lines: str, zone: ZoneInfo = NEW_YORK, window: Span = WINDOW) -> list[str]:
    """Of a calendar of one event, as text: '2026-12-21', or '2026-12-21/2027-01-03'."""
    return shown(calendar(event(*lines)), zone, window)


def shown(text: str, zone: ZoneInfo = NEW_YORK, window: Span = WINDOW) -> list[str]:
    found = days_of(text, zone, window)
    return [str(first) if first == last else f"{first}/{last}" for first, last in found]


def days(*lines: str) -> list[str]:
    """Each day by itself."""
    found = days_of(calendar(event(*lines)), NEW_YORK, WINDOW)
    return [str(first + timedelta(n)) for first, last in found for n in range((last - first).days + 1)]


def refused(text: str) -> str:
    found = outcome(text)
    assert isinstance(found, str)
    return found


def outcome(text: str) -> tuple[Span, ...] | str:
    """The days, or what is said instead."""
    try:
        return days_of(text, NEW_YORK, WINDOW)
    except ValueError as error:
        said = str(error)
    assert said.isprintable()
    return said


# What counts --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (["DTSTART;VALUE=DATE:20261221", "DTEND;VALUE=DATE:20270104"], ["2026-12-21/2027-01-03"]),
        (["DTSTART;VALUE=DATE:20261126"], ["2026-11-26"]),
        (["DTSTART;VALUE=DATE:20261126", "DTEND;VALUE=DATE:20261126"], ["2026-11-26"]),
        (["DTSTART;VALUE=DATE:20261221", "DURATION:P2W"], ["2026-12-21/2027-01-03"]),
        (["DTSTART;VALUE=DATE:20261221", "DTEND;VALUE=DATE:20270104", "STATUS:CANCELLED"], []),
        (["DTSTART;VALUE=DATE:20261221", "STATUS:CONFIRMED", "SUMMARY:A\\, B\\; C"], ["2026-12-21"]),
    ],
)
def test_all_day_events_are_their_days(lines: list[str], found: list[str]) -> None:
    """RFC 5545 section 3.6.1: DTEND is the day after the last; without it one day; DURATION stands for it. An end on
    the first day, which some programs write, is one day; what is cancelled is none."""
    assert spans(*lines) == found


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (["DTSTART:20261221T000000", "DTEND:20261223T000000"], ["2026-12-21/2026-12-22"]),
        (["DTSTART:20261221T000001", "DTEND:20261223T000000"], ["2026-12-22"]),
        (["DTSTART:20261220T150000", "DTEND:20261223T235959"], ["2026-12-21/2026-12-22"]),
        (["DTSTART:20261221T080000", "DTEND:20261222T070000"], []),
        (["DTSTART:20261221T080000", "DTEND:20261221T160000", "RRULE:FREQ=HOURLY"], []),
        (["DTSTART:20261221T080000"], []),
        (["DTSTART:20261221T000000", "DURATION:P1D"], ["2026-12-21"]),
        (["DTSTART:20261221T050000Z", "DTEND:20261222T050000Z"], ["2026-12-21"]),
        (["DTSTART:20261221T000000Z", "DTEND:20261222T000000Z"], []),
        (["DTSTART;TZID=Asia/Tokyo:20261221T140000", "DTEND;TZID=Asia/Tokyo:20261223T140000"],
         ["2026-12-21/2026-12-22"]),
        (["DTSTART;TZID=Eastern Standard Time:20261221T000000", "DURATION:P1D"], ["2026-12-21"]),
    ],
)  # fmt: skip
def test_timed_events_are_the_local_days_they_cover_whole(lines: list[str], found: list[str]) -> None:
    """By the clock of the lab, whatever clock the event is written in; a lesson covers no day."""
    assert spans(*lines) == found


def test_a_day_of_another_length_is_covered_whole() -> None:
    """New York's days of 23 hours (2026-03-08) and of 25 (2026-11-01); Santiago's day that begins at 01:00."""
    for day in ("20260308", "20261101"):
        after = f"{int(day) + 1}"
        assert len(spans(f"DTSTART:{day}T000000", f"DTEND:{after}T000000")) == 1
    assert spans("DTSTART:20261101T040000Z", "DTEND:20261102T040000Z") == []
    assert spans("DTSTART:20261101T040000Z", "DTEND:20261102T050000Z") == ["2026-11-01"]
    santiago = ZoneInfo("America/Santiago")
    assert spans("DTSTART:20260906T040000Z", "DTEND:20260907T030000Z", zone=santiago) == ["2026-09-06"]
    assert spans("DTSTART:20260906T040001Z", "DTEND:20260907T030000Z", zone=santiago) == []


def test_a_zone_of_the_calendar_itself_is_followed() -> None:
    """A VTIMEZONE with a name of its own: five hours behind all year."""
    zone = (
        "BEGIN:VTIMEZONE\r\nTZID:School\r\nBEGIN:STANDARD\r\nDTSTART:19700101T000000\r\nTZOFFSETFROM:-0500\r\n"
        "TZOFFSETTO:-0500\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    )
    one = event("DTSTART;TZID=School:20261221T000000", "DTEND;TZID=School:20261222T000000")
    assert shown(calendar(zone, one)) == ["2026-12-21"]
    assert shown(calendar(zone, one), ZoneInfo("UTC")) == []


def test_events_beside_each_other_are_one_span_and_others_in_order() -> None:
    """Of all calendars in the text; tasks and what else is there mean nothing."""
    first = calendar(
        event("DTSTART;VALUE=DATE:20270101"),
        "BEGIN:VTODO\r\nUID:t\r\nDTSTAMP:20260101T000000Z\r\nDUE;VALUE=DATE:20260601\r\nEND:VTODO\r\n",
        event("DTSTART;VALUE=DATE:20261126", "BEGIN:VALARM", "ACTION:AUDIO", "TRIGGER:-PT15M", "END:VALARM"),
    )
    assert shown(first + calendar(event("DTSTART;VALUE=DATE:20261231"))) == ["2026-11-26", "2026-12-31/2027-01-01"]


def test_only_the_window_counts() -> None:
    """What touches it is there whole, what lies outside is not."""
    window = date(2026, 11, 1), date(2026, 11, 30)
    texts = [f"DTSTART;VALUE=DATE:{day}" for day in ("20261031", "20261101", "20261130", "20261201")]
    assert shown(calendar(*map(event, texts)), window=window) == ["2026-11-01", "2026-11-30"]
    whole = "DTSTART;VALUE=DATE:20261015", "DTEND;VALUE=DATE:20261215"
    assert spans(*whole, window=window) == ["2026-10-15/2026-12-14"]


@pytest.mark.parametrize(
    "text", [calendar(), "\r\n" + calendar(), calendar().replace("\r\n", "\n"), calendar().lower()]
)
def test_a_calendar_without_events_has_no_days(text: str) -> None:
    """Line ends as they come, names in any case."""
    assert shown(text) == []


# Lines --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("octets", [74, 75, 76, 149, 150])
def test_folded_lines_are_unfolded_first(octets: int) -> None:
    """RFC 5545 section 3.1, at the lengths of the check vectors: 75 octets and a continuation that begins with one
    space or tab, which counts."""
    logical = "SUMMARY:" + "x" * (octets - 8)
    pieces = [logical[:75], *(logical[at : at + 74] for at in range(75, octets, 74))]
    assert [len(piece) + (n > 0) for n, piece in enumerate(pieces)] == {
        74: [74], 75: [75], 76: [75, 2], 149: [75, 75], 150: [75, 75, 2],
    }[octets]  # fmt: skip
    for blank in " \t":
        assert spans(f"\r\n{blank}".join(pieces), "DTSTART;VALUE=DATE:20261126") == ["2026-11-26"]


def test_a_fold_in_the_middle_of_a_date_and_of_a_word() -> None:
    """Anywhere, also where it hurts to read."""
    text = calendar(event("DTSTART;VALUE=DA\r\n TE:2026\r\n 1126")).replace("END:VEVENT", "END:VE\r\n VENT")
    assert shown(text) == ["2026-11-26"]


# Repeats ------------------------------------------------------------------------------------------------------------
# RFC 5545 section 3.8.5.3, the examples that the check vectors list, as days instead of times


@pytest.mark.parametrize(
    ("start", "rule", "found"),
    [
        ("19970902", "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
         "1997-09-02 09-04 09-16 09-18 09-30 10-02 10-14 10-16"),
        ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997-08-05 08-10 08-19 08-24"),
        ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", "1997-08-05 08-17 08-19 08-31"),
        ("20260131", "FREQ=MONTHLY;COUNT=4", "2026-01-31 03-31 05-31 07-31"),
        ("20260131", "FREQ=MONTHLY;COUNT=4;BYMONTHDAY=-1", "2026-01-31 02-28 03-31 04-30"),
        ("19970902", "FREQ=DAILY;COUNT=3", "1997-09-02 09-03 09-04"),
        ("19970905", "FREQ=MONTHLY;COUNT=3;BYDAY=1FR", "1997-09-05 10-03 11-07"),
        ("20261126", "FREQ=YEARLY;BYMONTH=11;BYDAY=4TH;UNTIL=20281231", "2026-11-26 2027-11-25 2028-11-23"),
        ("20260302", "FREQ=WEEKLY;BYDAY=MO,WE,FR;UNTIL=20260313", "2026-03-02 03-04 03-06 03-09 03-11 03-13"),
        ("20260302", "FREQ=WEEKLY;BYDAY=MO,WE,FR;UNTIL=20260313T130000Z", "2026-03-02 03-04 03-06 03-09 03-11 03-13"),
    ],
)  # fmt: skip
def test_repeats_are_those_of_rfc_5545(start: str, rule: str, found: str) -> None:
    """UNTIL takes in its day; a month without the day is passed over; WKST moves every other week."""
    wanted: list[str] = []
    for one in found.split():
        wanted.append(one if len(one) == 10 else f"{wanted[-1][:5]}{one}")
    assert days(f"DTSTART;VALUE=DATE:{start}", f"RRULE:{rule}") == wanted


def test_a_timed_repeat_ends_with_the_last_one_that_until_allows() -> None:
    """Midnight in New York on 2026-03-13 is 04:00 UTC, after the clocks went forward on the 8th; a second less ends
    before it. A local UNTIL, which the RFC does not allow, is read as local."""
    start = ("DTSTART;TZID=America/New_York:20260302T000000", "DURATION:P1D")
    wanted = ["2026-03-02", "2026-03-04", "2026-03-06", "2026-03-09", "2026-03-11", "2026-03-13"]
    for until in ("20260313T040000Z", "20260313T000000", "20260313"):
        assert days(*start, f"RRULE:FREQ=WEEKLY;BYDAY=MO,WE,FR;UNTIL={until}") == wanted
    assert days(*start, "RRULE:FREQ=WEEKLY;BYDAY=MO,WE,FR;UNTIL=20260313T035959Z") == wanted[:-1]


def test_a_repeat_follows_the_wall_clock_over_the_change() -> None:
    """Midnight stays midnight, and each day is covered whole, on the days of 23 and 25 hours too."""
    start = ("DTSTART;TZID=America/New_York:20260307T000000", "DTEND;TZID=America/New_York:20260308T000000")
    assert spans(*start, "RRULE:FREQ=DAILY;COUNT=240") == ["2026-03-07/2026-11-01"]


def test_days_are_added_and_left_out() -> None:
    """RDATE and EXDATE, several to a line and on several lines; an EXDATE with the time of midnight leaves out the day
    of an all-day event, as some programs write it."""
    assert days(
        "DTSTART;VALUE=DATE:20261201",
        "RRULE:FREQ=DAILY;COUNT=5",
        "RDATE;VALUE=DATE:20261220,20261222",
        "RDATE;VALUE=DATE:20261225",
        "EXDATE;VALUE=DATE:20261202,20261222",
        "EXDATE:20261204T000000",
    ) == ["2026-12-01", "2026-12-03", "2026-12-05", "2026-12-20", "2026-12-25"]


def test_a_moment_left_out_is_the_same_in_every_zone() -> None:
    """An EXDATE in UTC meets the instance in New York; an RDATE may be a period."""
    assert days(
        "DTSTART;TZID=America/New_York:20261201T000000",
        "DURATION:P1D",
        "RRULE:FREQ=DAILY;COUNT=3",
        "RDATE;VALUE=PERIOD:20261210T050000Z/P1D",
        "EXDATE:20261202T050000Z",
    ) == ["2026-12-01", "2026-12-03", "2026-12-10"]


def test_two_rules_and_a_first_day_that_fits_neither() -> None:
    """All of them count."""
    lines = ["DTSTART;VALUE=DATE:20261201", "RRULE:FREQ=WEEKLY;BYDAY=WE;COUNT=2", "RRULE:FREQ=WEEKLY;BYDAY=FR;COUNT=1"]
    assert days(*lines) == ["2026-12-01", "2026-12-02", "2026-12-04", "2026-12-09"]


def test_an_instance_that_was_moved_or_cancelled_stands_for_itself() -> None:
    """RECURRENCE-ID: the day it was is free again, the day it moved to is off; of another series nothing changes."""
    series = event("DTSTART;VALUE=DATE:20261201", "RRULE:FREQ=DAILY;COUNT=3")
    moved = event("RECURRENCE-ID;VALUE=DATE:20261202", "DTSTART;VALUE=DATE:20261210")
    cancelled = event("RECURRENCE-ID;VALUE=DATE:20261203", "DTSTART;VALUE=DATE:20261203", "STATUS:CANCELLED")
    assert shown(calendar(moved, series, cancelled)) == ["2026-12-01", "2026-12-10"]
    other = event("DTSTART;VALUE=DATE:20261202", uid="2")
    assert shown(calendar(moved, series, cancelled, other)) == ["2026-12-01/2026-12-02", "2026-12-10"]


def test_repeats_without_an_end_stop_at_the_window() -> None:
    """A day off each year since long ago."""
    assert spans("DTSTART;VALUE=DATE:19700501", "RRULE:FREQ=YEARLY", window=(date(2025, 1, 1), date(2026, 12, 31))) == [
        "2025-05-01",
        "2026-05-01",
    ]


@settings(max_examples=40)
@given(st.dates(date(2025, 1, 1), date(2027, 12, 31)), st.integers(1, 5), st.integers(1, 4), st.integers(1, 9))
def test_weekly_repeats_are_what_counting_gives(start: date, length: int, interval: int, count: int) -> None:
    """Against days counted by hand, and the same as a timed event from midnight to midnight."""
    wanted = {start + timedelta(7 * interval * n + day) for n in range(count) for day in range(length)}
    rule = f"RRULE:FREQ=WEEKLY;INTERVAL={interval};COUNT={count}"
    end = start + timedelta(length)
    whole = days(f"DTSTART;VALUE=DATE:{start:%Y%m%d}", f"DTEND;VALUE=DATE:{end:%Y%m%d}", rule)
    timed = days(f"DTSTART:{start:%Y%m%d}T000000", f"DTEND:{end:%Y%m%d}T000000", rule)
    assert whole == timed == sorted(str(day) for day in wanted if day <= WINDOW[1])


# What is refused ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["SUMMARY:x"], "line 4: an event has one DTSTART, this one 0"),
        (["DTSTART;VALUE=DATE:20261126"] * 2, "line 4: an event has one DTSTART, this one 2"),
        (["DTSTART;VALUE=DATE:20261326"], "line 4: DTSTART cannot be read: Wrong date format 20261326"),
        (["DTSTART:soon"], "line 4: DTSTART cannot be read: Expected datetime, date, or time. Got: 'soon'"),
        (["DTSTART;VALUE=TIME:080000"], "line 4: DTSTART is neither a date nor a time"),
        (["DTSTART;VALUE=DATE:20261126", "no property"], "line 4: a line cannot be read: "),
        (["DTSTART;VALUE=DATE:20261126", "DURATION:long"], "line 4: DURATION cannot be read: "),
        (["DTSTART;VALUE=DATE:20261126", "DTEND;VALUE=DATE:20261125"], "line 4: ends before it starts"),
        (["DTSTART;VALUE=DATE:20261126", "DURATION:-P1D"], "line 4: ends before it starts"),
        (["DTSTART;VALUE=DATE:20261126", "DTEND:20261127T000000"],
         "line 4: DTSTART and DTEND are not both dates or both times"),
        (["DTSTART;TZID=Nowhere/Land:20261126T000000"],
         "line 4: DTSTART has the time zone Nowhere/Land, which is not known"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=OFTEN"], "line 4: RRULE cannot be read: "),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:COUNT=2"], "line 4: RRULE"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=DAILY;INTERVAL=0"],
         "line 4: INTERVAL and COUNT of a RRULE are 1 or more"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=DAILY;COUNT=0"],
         "line 4: INTERVAL and COUNT of a RRULE are 1 or more"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=MINUTELY"],
         "line 4: days off do not come back within a day; write FREQ=DAILY or longer"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=DAILY;BYMONTH=13"],
         "line 4: BYMONTH of a RRULE is a number up to 12"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=DAILY;BYMONTHDAY=1,0"],
         "line 4: BYMONTHDAY of a RRULE is a number up to 31"),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=DAILY;BYDAY=XX"], "line 4: RRULE cannot be read: "),
        (["DTSTART;VALUE=DATE:20261126", "RRULE:FREQ=DAILY;BYEASTER=x"], "line 4: "),
        (["DTSTART;VALUE=DATE:99991231", "DURATION:P1D"], "line 4: date value out of range"),
        (["DTSTART;VALUE=DATE:20261126", "EXRULE:FREQ=DAILY"], "line 4: EXRULE is not taken; write EXDATE"),
        (["DTSTART;VALUE=DATE:20261126", "RECURRENCE-ID;RANGE=THISANDFUTURE;VALUE=DATE:20261125"],
         "line 4: RECURRENCE-ID with RANGE is not taken; end the series and begin a new one"),
        (["DTSTART;VALUE=DATE:00010101", "RRULE:FREQ=DAILY"], "line 4: the calendar repeats events more than 100,000 "
         "times; give it a later start"),
    ],
)  # fmt: skip
def test_an_event_that_cannot_be_used_is_one_line(lines: list[str], said: str) -> None:
    """Where it begins, and what is wrong with it; never days that nobody meant."""
    assert refused(calendar(event(*lines))).startswith(said)


def test_the_line_is_that_of_the_event() -> None:
    """Folded lines and other events before it count as they stand in the file."""
    good = event("DTSTART;VALUE=DATE:20261126", "SUMMARY:a\r\n b\r\n c")
    assert refused(calendar(good, event("SUMMARY:x"))) == "line 12: an event has one DTSTART, this one 0"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is no calendar; one begins with BEGIN:VCALENDAR"),
        ("<html>\n<p>Not found</p>\n</html>\n", "is no calendar; one begins with BEGIN:VCALENDAR"),
        (event("DTSTART;VALUE=DATE:20261126"), "is no calendar; one begins with BEGIN:VCALENDAR"),
        (HEAD, "line 1: BEGIN:VCALENDAR has no END; the file may be cut off"),
        (HEAD + event("DTSTART;VALUE=DATE:20261126")[:-13], "line 4: BEGIN:VEVENT has no END; the file may be cut off"),
        (HEAD + "BEGIN:VEVENT\nEND:VCALENDAR\n", "line 5: END:VCALENDAR ends nothing that is open"),
        ("END:VCALENDAR\n", "line 1: END:VCALENDAR ends nothing that is open"),
        (
            HEAD + "BEGIN;X=1:VEVENT\nEND;X=1:VEVENT\nEND:VCALENDAR\n",
            "BEGIN:VEVENT is written in a way that is not taken",
        ),
        (HEAD + "\x00\x07\nEND:VCALENDAR\n", "Content line could not be parsed"),
    ],
)
def test_what_is_no_whole_calendar_is_refused(text: str, said: str) -> None:
    """A download that broke off would otherwise read as a school year without holidays."""
    assert refused(text).startswith(said)


JUNK = st.text(st.sampled_from("BEGIN:VEVENTDSTARD=;,0126-+PTZ\r\n \t\"'\\é\x00"), max_size=40)


@settings(max_examples=60)
@given(st.integers(0, 400), st.integers(0, 60), JUNK)
def test_any_damage_is_days_or_one_line(at: int, gone: int, junk: str) -> None:
    """A sound calendar with a piece of it replaced by anything."""
    sound = calendar(
        event("DTSTART;TZID=America/New_York:20261221T000000", "DURATION:P1D", "RRULE:FREQ=WEEKLY;BYDAY=MO;COUNT=3"),
        event("DTSTART;VALUE=DATE:20261126", "DTEND;VALUE=DATE:20261128", "EXDATE;VALUE=DATE:20261126"),
    )
    text = sound[:at] + junk + sound[at + gone :]
    found = outcome(text)
    if isinstance(found, str):
        assert found
        return
    assert all(first <= last for first, last in found)
    assert list(found) == sorted(found)


def test_local_midnight_moves_in_utc_as_the_check_vectors_say() -> None:
    """09:00 in New York is 14:00 UTC on 2026-03-07, 13:00 on 2026-03-08 and 14:00 on 2026-11-01; so days from nine to
    nine written in UTC cover the day between whole only where both ends are right."""
    for day, utc in (("2026-03-07", "14:00"), ("2026-03-08", "13:00"), ("2026-11-01", "14:00")):
        local = datetime.fromisoformat(f"{day}T09:00").replace(tzinfo=NEW_YORK)
        assert local.astimezone(ZoneInfo("UTC")).strftime("%H:%M") == utc
        covered = days_of(
            calendar(event(f"DTSTART:{local.astimezone(ZoneInfo('UTC')):%Y%m%dT%H%M%SZ}", "DURATION:P2D")),
            NEW_YORK,
            WINDOW,
        )
        assert covered == ((local.date() + timedelta(1), local.date() + timedelta(1)),)
