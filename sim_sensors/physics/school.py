"""The school's days: hours, weekends, holidays, by the lab's clock (a fixed offset from UTC)."""

import math
from dataclasses import dataclass
from datetime import date

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
_EPOCH = date(1970, 1, 1).toordinal()

MonthDay = tuple[int, int]


@dataclass(frozen=True, slots=True)
class School:
    opens_h: float = 7.0
    closes_h: float = 16.0
    utc_offset_h: float = 0.0
    holidays: tuple[tuple[MonthDay, MonthDay], ...] = ()
    """First and last day of each, the same every year; one may run over the new year."""


def local_hour(school: School, t_ms: int) -> float:
    """Hour of the lab's day, 0 up to 24."""
    return (t_ms / HOUR_MS + school.utc_offset_h) % 24


def local_day(school: School, t_ms: int) -> int:
    """Days of the lab's clock since 1970-01-01."""
    return math.floor((t_ms / HOUR_MS + school.utc_offset_h) / 24)


def weekday(day: int) -> int:
    """0 Monday to 6 Sunday (1970-01-01 was a Thursday)."""
    return (day + 3) % 7


def is_school_day(school: School, day: int) -> bool:
    """Monday to Friday outside the holidays."""
    if weekday(day) > 4:
        return False
    if not school.holidays:
        return True
    on = date.fromordinal(_EPOCH + day)
    return not any(_covers(first, last, (on.month, on.day)) for first, last in school.holidays)


def _covers(first: MonthDay, last: MonthDay, on: MonthDay) -> bool:
    if first <= last:
        return first <= on <= last
    return on >= first or on <= last


def in_lessons(school: School, t_ms: int) -> bool:
    """School hours of school days."""
    return school.opens_h <= local_hour(school, t_ms) < school.closes_h and is_school_day(
        school, local_day(school, t_ms)
    )


def year_share(school: School, t_ms: int) -> float:
    """How far the year has gone, 0 to 1; leap days are spread over the years."""
    return (t_ms / DAY_MS + school.utc_offset_h / 24) / 365.2425 % 1
