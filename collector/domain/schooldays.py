"""School days: the days on which a class is in the lab, and the breaks between them.

Holidays and terms come from lab.yaml or from calendar files; here they are spans of dates on the lab's clock.
"""

from dataclasses import dataclass
from datetime import date, timedelta

Span = tuple[date, date]
"""First and last day, both included."""

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

    def is_school_day(self, day: date) -> bool:
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

    def break_after(self, day: date) -> int:
        """How many days without lessons follow `day`, 0 where the next day is a school day."""
        following = self.next_after(day)
        return _FAR if following is None else (following - day).days - 1
