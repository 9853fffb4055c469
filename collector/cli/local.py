"""How what is stored reads to the people of one lab: times on its clock, whose zone is named once, values in its units.

For programs (`--json`) times stay in UTC and values in the units they are stored in.
"""

from collections.abc import Callable
from dataclasses import dataclass

from collector.domain.hours import local_text
from collector.domain.lab import Lab

When = Callable[[int], str]
"""A moment in ms as it is written: `Local.time` for people, `iso` for programs."""


@dataclass(frozen=True, slots=True)
class Local:
    """The clock and the units of a lab."""

    zone: str
    us: bool = False

    def time(self, t_ms: int) -> str:
        """'2026-03-02 08:00'; '2026-10-25 02:30 +0200' in an hour that comes twice."""
        return local_text(t_ms, self.zone)

    def titled(self, words: str) -> str:
        """'since (Europe/Oslo)', above a column of times."""
        return f"{words} ({self.zone})"

    def timed(self, t_ms: int) -> str:
        """'2026-03-02 08:00 (Europe/Oslo)', for a time that stands alone."""
        return self.titled(self.time(t_ms))

    @property
    def heading(self) -> str:
        """Above several tables."""
        return f"times are those of {self.zone}"


def local_of(lab: Lab | None) -> Local:
    """UTC and metric where lab.yaml cannot be used: what is stored must show all the same."""
    return Local("UTC") if lab is None else Local(lab.time_zone, lab.us_units)


def at(when: When, t_ms: int | None) -> str | None:
    """A moment that may not have come."""
    return None if t_ms is None else when(t_ms)
