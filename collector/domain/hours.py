"""Lab hours: when people are in the lab, on its own clock.

    parse_days("mon-fri")                   -> (0, 1, 2, 3, 4)
    parse_ranges("08:00-12:00")             -> ((480, 720),), minutes from midnight; a list of texts gives several
    Hours(week, zone).holds(t_ms)           -> whether the lab is open
    Hours(week, zone).next_change_ms(t_ms)  -> when it next opens or closes

Where the clocks go back, an hour that comes twice is open both times; where they go forward, a limit inside the hour
that is skipped falls on the moment of the skip. On holidays other hours can hold, or none.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise
from zoneinfo import ZoneInfo

from collector.domain.schooldays import SchoolDays

Range = tuple[int, int]
Week = tuple[tuple[Range, ...], ...]
"""Seven days from Monday; of each its ranges in minutes from midnight, sorted and apart."""
Span = tuple[int, int]
"""From the first ms to the one after the last."""

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
RANGE_PATTERN = r"^([01][0-9]|2[0-3]):[0-5][0-9]-(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$"
_RANGE = re.compile(r"([0-9]{2}):([0-9]{2})-([0-9]{2}):([0-9]{2})")
_DAY_MINUTES = 24 * 60
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_AHEAD_MS = 15 * 86_400_000
"""Two weeks and a day: a week whose only opening falls into a skipped hour still has one after it."""
_FAR_AHEAD_MS = 415 * 86_400_000
"""Further, where holidays may lie between: as far as anybody plans a break."""


def parse_days(text: str) -> tuple[int, ...]:
    """'mon' or 'fri-mon' as days from Monday 0. Raises ValueError that says what would be right."""
    words = text.split("-")
    if len(words) > 2 or not all(word in DAYS for word in words):
        meant = "-".join(word.strip()[:3].lower() for word in words)
        right = f"did you mean '{meant}'?" if meant != text and _is_days(meant) else "write 'mon' or 'mon-fri'"
        raise ValueError(f"{text!r} is not a day or a span of days; {right}")
    first, last = DAYS.index(words[0]), DAYS.index(words[-1])
    return tuple((first + step) % 7 for step in range((last - first) % 7 + 1))


def _is_days(text: str) -> bool:
    words = text.split("-")
    return len(words) <= 2 and all(word in DAYS for word in words)


def parse_ranges(value: object) -> tuple[Range, ...]:
    """'08:00-16:00', or a list of such, sorted. Raises ValueError that says what would be right."""
    written = value if isinstance(value, list) else [value]
    found = sorted(_range(part) for part in written)
    if not found:
        raise ValueError("holds no hours; write them like '08:00-16:00' or leave the day out")
    for (_, end), (start, _) in pairwise(found):
        if start < end:
            raise ValueError(f"the hours overlap at {_clock(start)}; make them one range")
    return tuple(found)


def _range(value: object) -> Range:
    fits = _RANGE.fullmatch(value) if isinstance(value, str) else None
    if fits is None:
        raise ValueError(f"{value!r} is not a range of hours; write it like '08:00-16:00'")
    from_hour, from_minute, to_hour, to_minute = (int(part) for part in fits.groups())
    start, end = from_hour * 60 + from_minute, to_hour * 60 + to_minute
    if max(from_minute, to_minute) > 59 or end > _DAY_MINUTES:
        raise ValueError(f"{value!r} is not on the clock; from 00:00 to 24:00")
    if end <= start:
        raise ValueError(f"{value!r} does not end after its start; a night is two ranges, up to 24:00 and from 00:00")
    return start, end


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def week_of(days: Mapping[str, tuple[Range, ...]]) -> Week:
    """The week from parsed ranges by days as written; days that are not there are closed."""
    by_day = {day: ranges for text, ranges in days.items() for day in parse_days(text)}
    return tuple(by_day.get(day, ()) for day in range(7))


def every_day(start: int, end: int, zone: str) -> "Hours":
    """The same hours on each day of the week, in minutes from midnight."""
    return Hours(week=(((start, end),),) * 7, zone=zone)


def doubled_day(days: Iterable[str]) -> tuple[str, str, str] | None:
    """The first day that stands under two keys: (day, the earlier key, the later key). Keys that are no days are passed
    over."""
    under: dict[int, str] = {}
    for text in days:
        if not _is_days(text):
            continue
        for day in parse_days(text):
            if day in under:
                return DAYS[day], under[day], text
            under[day] = text
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """The hours of a week on the clock of an IANA time zone."""

    week: Week
    zone: str
    school_days: SchoolDays | None = None
    """Whose holidays have hours of their own; None: no day has."""
    on_holidays: tuple[Range, ...] = ()

    def with_holidays(self, school_days: SchoolDays, ranges: tuple[Range, ...] = ()) -> "Hours":
        """These hours, and `ranges` instead of them on each holiday."""
        return replace(self, school_days=school_days, on_holidays=ranges) if school_days.has_holidays else self

    def holds(self, t_ms: int) -> bool:
        """Whether a moment, in ms UTC, lies in these hours."""
        return bool(self.spans(t_ms, t_ms + 1))

    def next_change_ms(self, t_ms: int) -> int | None:
        """The first moment after `t_ms` at which the lab opens or closes; None where it never does."""
        near = self._next_change_ms(t_ms, t_ms + _AHEAD_MS)
        return (
            near if near is not None or self.school_days is None else self._next_change_ms(t_ms, t_ms + _FAR_AHEAD_MS)
        )

    def _next_change_ms(self, t_ms: int, until_ms: int) -> int | None:
        found = self.spans(t_ms, until_ms)
        if not found:
            return None
        start_ms, end_ms = found[0]
        if start_ms > t_ms:
            return start_ms
        return end_ms if end_ms < until_ms else None

    def spans(self, from_ms: int, until_ms: int) -> list[Span]:
        """When the lab is open from `from_ms` on, before `until_ms`, cut to these ends."""
        zone = ZoneInfo(self.zone)
        day = _local(from_ms, zone).date() - timedelta(days=1)
        last = _local(until_ms, zone).date() + timedelta(days=1)
        found: list[Span] = []
        while day <= last:
            for start, end in self._ranges(day):
                found.append((min(_moments(zone, day, start)), max(_moments(zone, day, end))))
            day += timedelta(days=1)
        return clipped(merged(found), from_ms, until_ms)

    def _ranges(self, day: date) -> tuple[Range, ...]:
        holiday = self.school_days is not None and self.school_days.is_holiday(day)
        return self.on_holidays if holiday else self.week[day.weekday()]


def merged(spans: Iterable[Span]) -> list[Span]:
    """Sorted, without empty ones, those that touch made one."""
    found: list[Span] = []
    for start, end in sorted(spans):
        if start >= end:
            continue
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((start, end))
    return found


def clipped(spans: Iterable[Span], from_ms: int, until_ms: int) -> list[Span]:
    """What lies from `from_ms` on and before `until_ms`."""
    return [(max(start, from_ms), min(end, until_ms)) for start, end in spans if start < until_ms and end > from_ms]


def _local(t_ms: int, zone: tzinfo) -> datetime:
    return (_EPOCH + t_ms * _MS).astimezone(zone)


def local_text(t_ms: int, zone: str) -> str:
    """'2026-03-02 08:00' on the clock of a zone; '2026-10-25 02:30 +0200' where the clock shows that twice."""
    local = _local(t_ms, ZoneInfo(zone))
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{local:%Y-%m-%d %H:%M %z}" if twice else f"{local:%Y-%m-%d %H:%M}"


def _moments(zone: tzinfo, day: date, minutes: int) -> tuple[int, int]:
    """The first and the last moment at which the clock shows so many minutes on that day, the same where it does once;
    where it never does, the moment of the skip."""
    local = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)  # noqa: DTZ001 - its zone comes next
    first, last = ((local.replace(tzinfo=zone, fold=fold) - _EPOCH) // _MS for fold in (0, 1))
    if last < first:
        first = last = _skip(zone, last, first)
    return first, last


def _skip(zone: tzinfo, before_ms: int, after_ms: int) -> int:
    """When the clock skips ahead, which it does once between the two."""
    offset = _local(after_ms, zone).utcoffset()
    while after_ms - before_ms > 1:
        middle = (before_ms + after_ms) // 2
        if _local(middle, zone).utcoffset() == offset:
            after_ms = middle
        else:
            before_ms = middle
    return after_ms
