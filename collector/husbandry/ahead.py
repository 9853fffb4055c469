"""What a tray will come to if nobody looks after it: when it is too dry, and how much water would carry it through.

A tray that nobody waters dries along a line over a few days (its water loss follows the air of the room, which changes
little more than its daily round). How far ahead such a line may be drawn is the caller's to say.
"""

from dataclasses import dataclass
from typing import NamedTuple

from collector.husbandry.watering import A_DAY_L, Deed, TrayNow, WaterVerdict, about_dry

DAY_MS = 86_400_000
_FARTHEST_MS = 3_653 * DAY_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How a measure goes: its level now and its change a day, with the ends of the 90 % interval of the change."""

    level: float
    per_day: float
    low_per_day: float
    high_per_day: float

    @property
    def falls(self) -> bool:
        """Whether the whole interval falls."""
        return self.high_per_day < 0

    def after(self, days: float) -> "Expected":
        """What is expected then: the central line, and the ends of its interval."""
        return Expected(
            self.level + self.per_day * days,
            self.level + self.low_per_day * days,
            self.level + self.high_per_day * days,
        )


class Expected(NamedTuple):
    """A level that is expected, and the ends of its 90 % interval."""

    about: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Dryness:
    """When a tray falls below a limit. `early_ms` is the early end of the 90 % interval, by which to be there."""

    limit: float
    about_ms: int
    early_ms: int


def falls_below(course: Course, limit: float, now_ms: int, until_ms: int) -> Dryness | None:
    """When `course` passes `limit` on its way down; None where that is not expected before `until_ms`, judged by the
    early end. A tray below the limit already is below it now."""
    if course.level <= limit:
        return Dryness(limit, now_ms, now_ms)
    if not course.falls:
        return None
    early_ms, about_ms = (
        now_ms + round(min((limit - course.level) / per_day * DAY_MS, _FARTHEST_MS))
        for per_day in (course.low_per_day, course.per_day)
    )
    return Dryness(limit, about_ms, early_ms) if early_ms < until_ms else None


def level_to_leave_at(course: Course, floor: float, ceiling: float, days: float) -> float:
    """The moisture to leave a tray at, in % wet basis, so that it is not below `floor` after so many days even at the
    fast end of its drying; never above `ceiling`, where it would be too wet now, nor below what it is."""
    loss = max(0.0, -course.low_per_day) * days
    return max(course.level, min(ceiling, floor + loss))


def carried(now: TrayNow, leave_at: float, days: int) -> tuple[Deed, bool]:
    """What brings a tray to where it should be left, and whether so many days are enough for it."""
    deed = about_dry(now, leave_at)
    fits = deed.verdict is not WaterVerdict.ADD_WATER or deed.total_l <= deed.today_l + A_DAY_L * (days - 1)
    return deed, fits


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayAhead:
    """One tray until somebody comes back."""

    place: str
    level: float
    """Moisture now, % wet basis."""
    at_end: Expected | None = None
    """What is expected at the end, or as far as can be foreseen; None where nothing can."""
    dry: Dryness | None = None
    leave_at: float | None = None
    """Where it should be left so that it comes through; None where it does anyway, or nothing can be foreseen."""
    deed: Deed | None = None
    """What is to be done about its water before that; None where nothing is."""
    now: TrayNow | None = None
    """What that follows from."""
    days: int = 1
    """So many school days there are to do it on, today among them."""
    enough: bool = True
    """Whether that carries it through: no tray can be left wetter than the top of its comfortable band, nor take up
    more in a day than soaks in."""
    seen_until_ms: int | None = None
    """How far can be foreseen, where that is not until the end: the figures are those of then."""
    why_not: str = ""
    """Why nothing can be foreseen."""
