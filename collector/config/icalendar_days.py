"""Days off from iCalendar text (RFC 5545): which whole days the events of a calendar cover.

days_of(text, zone, window)   -> spans of days, joined. Raises ValueError with one line: 'line 12: what is wrong'

An all-day event covers its days (DTEND is the day after the last), a timed one the local days it covers whole. RRULE,
RDATE and EXDATE are followed inside the window; an instance that was moved or cancelled (RECURRENCE-ID) stands for
itself. What else a calendar holds (tasks, alarms, names) means nothing here.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from collector.domain.schooldays import Span, joined

_READ = ("DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "RECURRENCE-ID", "STATUS", None)
"""What must be readable of an event; None: a line that is no property at all."""
_SHORTEST = timedelta(hours=20)
"""A shorter event covers no day of any clock whole; most of a timetable is done with by this."""
_OFTEN = ("HOURLY", "MINUTELY", "SECONDLY")
_HIGHEST = {"BYMONTH": 12, "BYMONTHDAY": 31, "BYYEARDAY": 366, "BYWEEKNO": 53, "BYSETPOS": 366}
"""RFC 5545 section 3.3.10. All but the month may count from the end, as negative numbers; none is 0."""
_MOST_REPEATS = 100_000

_WRONG = (ValueError, LookupError, TypeError, AttributeError, OverflowError)
"""What the libraries raise over text that is no calendar."""

_Moment = date | datetime


def days_of(text: str, zone: ZoneInfo, window: Span) -> tuple[Span, ...]:
    """The days inside the window that the events of the calendar cover. `zone`: of times without one."""
    lines = _event_lines(text)
    from icalendar import Calendar  # only where a calendar is named: it takes 2 MB

    try:
        found = [event for part in Calendar.from_ical(text, multiple=True) for event in part.walk("VEVENT")]
    except _WRONG as error:
        raise ValueError(_short(error)) from None
    if len(found) != len(lines):
        raise ValueError("BEGIN:VEVENT is written in a way that is not taken")
    events = []
    for part, line in zip(found, lines, strict=True):
        with _at(line):
            events.append(_Event(part, line, zone))
    moved = {(event.uid, event.instead) for event in events if event.instead is not None}
    budget = iter(range(_MOST_REPEATS))
    spans: list[Span] = []
    for event in events:
        if not event.cancelled:
            with _at(event.line):
                spans += event.spans(window, moved, budget)
    return joined(spans)


@contextmanager
def _at(line: int) -> Iterator[None]:
    """Puts the line in front of what is wrong with an event that begins there."""
    try:
        yield
    except _WRONG as error:
        raise ValueError(f"line {line}: {_short(error)}") from None


def _short(error: BaseException) -> str:
    text = " ".join("".join(c if c.isprintable() else " " for c in str(error)).split())
    return text if len(text) <= 160 else f"{text[:157]}..."


def _event_lines(text: str) -> list[int]:
    """Where each event begins. Raises ValueError where BEGIN and END do not match: what is cut off in the middle would
    otherwise read as fewer days."""
    open_at: list[tuple[str, int]] = []
    found: list[int] = []
    whole = False
    for number, line in _unfolded(text):
        word, _, name = line.strip().upper().partition(":")
        if word == "BEGIN":
            open_at.append((name, number))
            whole = whole or name == "VCALENDAR"
            if name == "VEVENT":
                found.append(number)
        elif word == "END":
            if not open_at or open_at[-1][0] != name:
                raise ValueError(f"line {number}: END:{_short(ValueError(name))} ends nothing that is open")
            open_at.pop()
        elif not open_at and line.strip():
            break
    if not whole:
        raise ValueError("is no calendar; one begins with BEGIN:VCALENDAR")
    if open_at:
        name, number = open_at[-1]
        raise ValueError(f"line {number}: BEGIN:{_short(ValueError(name))} has no END; the file may be cut off")
    return found


def _unfolded(text: str) -> Iterator[tuple[int, str]]:
    """Logical lines with the number of the line they begin at (RFC 5545 section 3.1)."""
    number, logical = 0, ""
    for at, line in enumerate(text.split("\n"), 1):
        if number and line[:1] in (" ", "\t"):
            logical += line[1:].rstrip("\r")
            continue
        if number:
            yield number, logical
        number, logical = at, line.rstrip("\r")
    yield number, logical


def _between(start: _Moment, end: _Moment) -> timedelta:
    """By the clock on the wall at the start's place."""
    if isinstance(start, datetime) and isinstance(end, datetime):
        return end.astimezone(start.tzinfo) - start
    return timedelta(days=end.toordinal() - start.toordinal())


class _Event:
    """One VEVENT, read."""

    def __init__(self, event: Any, line: int, zone: ZoneInfo) -> None:
        self._event, self.line, self._zone = event, line, zone
        broken = next(((name, why) for name, why in event.errors if name in _READ), None)
        if broken is not None:
            raise ValueError(f"{broken[0] or 'a line'} cannot be read: {broken[1]}")
        self.uid = str(event.get("UID", ""))
        self.cancelled = str(event.get("STATUS", "")).upper() == "CANCELLED"
        starts = self._moments("DTSTART")
        if len(starts) != 1:
            raise ValueError(f"an event has one DTSTART, this one {len(starts)}")
        self.start = starts[0]
        self.whole = not isinstance(self.start, datetime)
        self._length = self._duration()
        if "EXRULE" in event:
            raise ValueError("EXRULE is not taken; write EXDATE")
        if "RANGE" in getattr(event.get("RECURRENCE-ID"), "params", {}):
            raise ValueError("RECURRENCE-ID with RANGE is not taken; end the series and begin a new one")
        instead = self._moments("RECURRENCE-ID")
        self.instead = self._key(instead[0]) if instead else None

    def _moments(self, name: str) -> list[_Moment]:
        """The dates or times under a property, all its lines and values; times with their zone."""
        written = self._event.get(name)
        found: list[_Moment] = []
        for item in [] if written is None else written if isinstance(written, list) else [written]:
            for value in getattr(item, "dts", [item]):
                moment = value.dt[0] if isinstance(value.dt, tuple) else value.dt
                if not isinstance(moment, date):
                    raise ValueError(f"{name} is neither a date nor a time")
                found.append(self._zoned(moment, item.params.get("TZID"), name))
        return found

    def _zoned(self, moment: _Moment, named: str | None, what: str) -> _Moment:
        if not isinstance(moment, datetime) or moment.tzinfo is not None:
            return moment
        if named:
            raise ValueError(f"{what} has the time zone {_short(ValueError(named))}, which is not known")
        return moment.replace(tzinfo=self._zone)

    def _duration(self) -> timedelta:
        """From the start to the end, by the clock on the wall; an all-day event without an end has one day."""
        ends = self._moments("DTEND")
        given = self._event.get("DURATION")
        if ends and self.whole is isinstance(ends[0], datetime):
            raise ValueError("DTSTART and DTEND are not both dates or both times")
        if ends:
            length = _between(self.start, ends[0])
        elif given is not None:
            length = given.dt
        else:
            length = timedelta(days=1 if self.whole else 0)
        if length < timedelta(0):
            raise ValueError("ends before it starts")
        return max(length, timedelta(days=1)) if self.whole else length

    def _key(self, moment: _Moment) -> _Moment:
        """The same for one moment in any zone; of an all-day event, its date."""
        if not isinstance(moment, datetime):
            return moment
        return moment.date() if self.whole else moment.astimezone(UTC)

    def spans(self, window: Span, moved: set[tuple[str, _Moment]], budget: Iterator[int]) -> Iterator[Span]:
        """What it covers of the window."""
        if not self.whole and self._length < _SHORTEST:
            return
        left_out = {self._key(moment) for moment in self._moments("EXDATE")}
        if self.instead is None:
            left_out |= {key for uid, key in moved if uid == self.uid}
        for start in dict.fromkeys(self._starts(window[1], budget)):
            if self._key(start) in left_out:
                continue
            first, last = self._covered(start)
            if first <= last and first <= window[1] and last >= window[0]:
                yield first, last

    def _starts(self, until: date, budget: Iterator[int]) -> Iterator[_Moment]:
        yield self.start
        if self.instead is not None:
            return
        yield from (moment.date() if self.whole and isinstance(moment, datetime) else moment
                    for moment in self._moments("RDATE"))  # fmt: skip
        written = self._event.get("RRULE")
        for rule in [] if written is None else written if isinstance(written, list) else [written]:
            yield from self._repeats(rule, until, budget)

    def _repeats(self, rule: Any, until: date, budget: Iterator[int]) -> Iterator[_Moment]:
        """The starts that a rule gives, up to the window's end."""
        from dateutil.rrule import rrulestr  # comes with icalendar, see above

        parts = dict(rule)
        if not parts.get("FREQ"):
            raise ValueError("RRULE has no FREQ")
        if str(parts["FREQ"][0]).upper() in _OFTEN:
            raise ValueError("days off do not come back within a day; write FREQ=DAILY or longer")
        if any(int(value) < 1 for name in ("INTERVAL", "COUNT") for value in parts.get(name, ())):
            raise ValueError("INTERVAL and COUNT of a RRULE are 1 or more")
        for name, highest in _HIGHEST.items():
            lowest = 1 if name == "BYMONTH" else -highest
            if any(int(value) == 0 or not lowest <= int(value) <= highest for value in parts.get(name, ())):
                raise ValueError(f"{name} of a RRULE is a number up to {highest}")
        first = self.start if isinstance(self.start, datetime) else datetime.combine(self.start, time())
        text = ";".join(f"{name}={','.join(str(v) for v in values)}"
                        for name, values in parts.items() if name != "UNTIL")  # fmt: skip
        last = datetime.combine(until, time(), first.tzinfo) + timedelta(days=1)
        for end in parts.get("UNTIL", ()):
            last = min(last, self._until(end, first))
        for moment in rrulestr(text, dtstart=first):
            if moment > last:
                return
            if next(budget, None) is None:
                raise ValueError(
                    f"the calendar repeats events more than {_MOST_REPEATS:,} times; give it a later start"
                )
            yield moment.date() if self.whole else moment

    def _until(self, end: _Moment, first: datetime) -> datetime:
        """The last moment a rule may give; a date takes in its whole day."""
        if not isinstance(end, datetime):
            return datetime.combine(end, time.max, first.tzinfo)
        if first.tzinfo is None:  # an all-day event
            return datetime.combine(end.date(), time.max)
        return end if end.tzinfo is not None else end.replace(tzinfo=first.tzinfo)

    def _covered(self, start: _Moment) -> Span:
        """First and last of the whole days from a start; the last before the first where there is none."""
        end = start + self._length
        if not isinstance(start, datetime) or not isinstance(end, datetime):
            return start, end - timedelta(days=1)
        first, after = start.astimezone(self._zone).date(), end.astimezone(self._zone).date()
        if start > self._midnight(first):
            first += timedelta(days=1)
        return first, after - timedelta(days=1)

    def _midnight(self, day: date) -> datetime:
        """When a day begins, also where the clock skips midnight then."""
        return datetime.combine(day, time(), self._zone).astimezone(UTC)
