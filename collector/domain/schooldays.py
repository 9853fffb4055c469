"""School days: the days on which a class is in the lab, and the breaks between them.

Holidays and terms come from lab.yaml or from calendar files; here they are spans of dates on the lab's clock.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta

Span = tuple[date, date]
"""First and last day, both included."""

Calendars = Callable[[str, str], tuple[Span, ...]]
"""What a calendar file or a folder of them says: its name and the lab's time zone to spans. Raises ValueError with one
line that says what is wrong."""

_FAR = 400
"""A break longer than this many days has no end that anybody plans for."""


@dataclass(frozen=True, slots=True)
class SchoolDays:
    """Which days are school days.

    `weekdays`: those with lessons, Monday is 0. `closed`: holidays. `terms`: where given, only days inside one of them
    are school days.
    """

    weekdays: frozenset[int] = frozenset(range(5))
    closed: tuple[Span, ...] = ()
    terms: tuple[Span, ...] = ()

    @property
    def has_holidays(self) -> bool:
        """Whether some day may be a holiday at all."""
        return bool(self.closed or self.terms)

    def is_school_day(self, day: date) -> bool:
        """Whether there are lessons on that day."""
        return day.weekday() in self.weekdays and not self.is_holiday(day)

    def is_holiday(self, day: date) -> bool:
        """Whether it is in a holiday or, where terms are given, outside all of them. A weekend is no holiday."""
        if any(first <= day <= last for first, last in self.closed):
            return True
        return bool(self.terms) and not any(first <= day <= last for first, last in self.terms)

    def next_after(self, day: date) -> date | None:
        """The first school day after `day`; None where none comes within 400 days."""
        days = (day + timedelta(n) for n in range(1, _FAR + 1))
        return next(filter(self.is_school_day, days), None)

    def next_break(self, day: date) -> Span | None:
        """The first days off from `day` on that holidays make: from the first day without its lessons to the one before
        the next school day. None where none comes within 400 days; the last day is 400 days on where none ends it."""
        days = (day + timedelta(n) for n in range(_FAR))
        first = next((day for day in days if day.weekday() in self.weekdays and self.is_holiday(day)), None)
        return None if first is None else (first, first + timedelta(self.break_after(first)))

    def break_after(self, day: date) -> int:
        """How many days without lessons follow `day`, 0 where the next day is a school day."""
        following = self.next_after(day)
        return _FAR if following is None else (following - day).days - 1


def joined(spans: Iterable[Span]) -> tuple[Span, ...]:
    """In order of their dates, those that overlap or follow day on day made one."""
    found: list[Span] = []
    for first, last in sorted(spans):
        if found and (first - found[-1][1]).days <= 1:
            found[-1] = found[-1][0], max(found[-1][1], last)
        else:
            found.append((first, last))
    return tuple(found)
