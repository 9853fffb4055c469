"""What a tray will come to if nobody looks after it: when it is too dry, and how much water would carry it through."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from collector.husbandry.air import Numbers
from collector.husbandry.bounds import A_DAY_L
from collector.husbandry.drying import Assumed, Path
from collector.husbandry.moisture import water_to_add_l
from collector.husbandry.watering import GOAL_PCT, Deed, TrayNow, WaterVerdict, about_dry

HOUR_MS, DAY_MS = 3_600_000, 86_400_000


class Expected(NamedTuple):
    """A level that is expected, and the ends of the span that holds it 8 of 10 times."""

    about: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Dryness:
    """When a tray falls below a limit. Between `early_ms` and `late_ms` 8 of 10 times; None where the forecast does not
    reach so far."""

    limit: float
    early_ms: int
    about_ms: int | None = None
    late_ms: int | None = None


def at_end(path: Path, hours: int) -> Expected:
    """What is expected after so many hours."""
    return Expected(float(path.about[hours]), float(path.low[hours]), float(path.high[hours]))


def falls_below(path: Path, limit: float, now_ms: int, until_ms: int) -> Dryness | None:
    """When `path` passes `limit` on its way down; None where that is not expected before `until_ms`, judged by the
    early end. A tray below the limit already is below it now."""
    if path.about[0] <= limit:
        return Dryness(limit=limit, early_ms=now_ms, about_ms=now_ms, late_ms=now_ms)
    early_ms, about_ms, late_ms = (_passes_ms(edge, limit, now_ms) for edge in (path.low, path.about, path.high))
    if early_ms is None or early_ms >= until_ms:
        return None
    return Dryness(limit=limit, early_ms=early_ms, about_ms=about_ms, late_ms=late_ms)


def _passes_ms(levels: Numbers, limit: float, now_ms: int) -> int | None:
    """When hourly levels first are at the limit, on the line between the hours."""
    below = np.flatnonzero(levels <= limit)
    if not below.size:
        return None
    hour = int(below[0])
    if hour == 0:
        return now_ms
    before, after = float(levels[hour - 1]), float(levels[hour])
    return now_ms + round((hour - 1 + (before - limit) / (before - after)) * HOUR_MS)


def level_to_leave_at(level: float, end: Expected, floor: float, ceiling: float) -> float:
    """The moisture to leave a tray at, in % wet basis, so that it is not below `floor` at the end 9 of 10 times; never
    above `ceiling`, where it would be too wet now, nor below what it is. A wetter tray loses fewer points for the same
    water, so this is on the safe side."""
    return max(level, min(ceiling, floor + max(0.0, level - end.low)))


def carried(now: TrayNow, leave_at: float, days: int) -> tuple[Deed, bool]:
    """What is to be done for a tray that must be left at `leave_at` at least, and whether so many days are enough for
    that. Whoever waters it brings it to the goal of all water, or beyond it where that would not carry it through."""
    deed = about_dry(now, max(GOAL_PCT, leave_at))
    if deed.verdict is not WaterVerdict.ADD_WATER or now.moisture_pct is None:
        return deed, True
    needed_l = water_to_add_l(now.mass_kg, now.moisture_pct, leave_at) or 0.0
    return deed, needed_l <= max(0.0, A_DAY_L - now.poured_l) + A_DAY_L * (days - 1)


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
    """Where its water is to bring it, so that it comes through; None where it does anyway, or nothing can be
    foreseen."""
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
    assumed: tuple[Assumed, ...] = ()
    """What was taken for what nobody measures."""
    why_not: str = ""
    """Why nothing can be foreseen."""
