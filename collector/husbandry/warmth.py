"""How warm a tray becomes: exchange with the room, and heat that the room does not explain.

    dT/dt = (R - T) / tau + q        R room, tau hours, q K/h: rotting food less what evaporation carries off

Over a stretch this holds exactly in sums: T2 - T1 = (1/tau) * integral(R - T) + q * hours. So 1/tau is the median of
the slopes between pairs of stretches of STRETCH_H that lie within a day of each other, where q is much the same for
both, each weighted by how far apart their integrals lie (after Theil 1950 and Sen 1968). Hours in which a lid was open
or a feed went in cannot bend it. What is left over is q; q * tau is the lift, the degrees by which the tray settles
above the room.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.domain.foresight.conformal import CameOut
from collector.husbandry import rhythm
from collector.husbandry.air import Numbers

FIT_H, LEARNED_H = 14 * 24, 28 * 24
STRETCH_H = 4
NEAR_H = 24
"""Stretches so near each other are taken to have the same heat of their own."""
APART_KH = 2.0
"""Two stretches whose integrals differ by less, K h, say little of the exchange."""
FEWEST_PAIRS = 30
RECENT_H = 12
FADES_H = 48.0
"""Hours after which a third is left of what is unusual in the heat now (common practice, no source): kitchen scraps
give most of theirs within two days."""
SLOWEST_H, QUICKEST_H = 240.0, 0.5
"""A tray's time constant lies between: a thin open one follows in an hour, a full bin takes days."""
HORIZONS_D = (0.125, 0.25, 0.5, 1.0, 2.0)
_EACH_H = 6
_SCALE_C, _SCALE_C_DAY = 0.3, 1.0
"""What forecasts are taken to be off by before any came out: 0.3 degC, and a degree a day (common practice, no
source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A tray as its record has it."""

    tau_h: float
    lift_c: float
    """Degrees by which it settles above the room, as it heats itself now; below 0 where drying cools it more."""
    usual_lift_c: float
    """The same, in the middle of the record."""

    @property
    def heat_c(self) -> float:
        """Degrees of its warmth that are more than its usual: food that rots."""
        return self.lift_c - self.usual_lift_c


class Peak(NamedTuple):
    """The warmest moment to come: hours from now, degC."""

    hours: int
    temp_c: float


class Warming(NamedTuple):
    """Why a tray is warmer (or cooler) than it was: degrees that the room explains, and those it does not."""

    by_room_c: float
    by_itself_c: float


class Warmer:
    """A tray's record made ready. Hourly means of bedding and room up to now, degC, NaN where unknown."""

    __slots__ = ("_bed", "_room", "_sums")

    def __init__(self, bed_c: Numbers, room_c: Numbers) -> None:
        self._bed, self._room = bed_c, room_c
        gap = room_c - bed_c
        self._sums = 0.5 * (gap[1:] + gap[:-1])
        """Integral of R - T from the middle of each hour to that of the next, K h."""

    def fit(self, end: int) -> Fit | None:
        """By the hours before `end`; None where they do not say."""
        begin = max(0, end - FIT_H)
        starts = np.arange(begin, max(begin, end - STRETCH_H))
        moved = self._bed[starts + STRETCH_H] - self._bed[starts]
        over = np.array([self._sums[at : at + STRETCH_H].sum() for at in starts])
        known = ~np.isnan(moved + over)
        starts, moved, over = starts[known], moved[known], over[known]
        rate = _exchange(starts, moved, over)
        if rate is None:
            return None
        own = (moved - rate * over) / STRETCH_H / rate
        recent = own[starts >= end - STRETCH_H - RECENT_H]
        if not recent.size:
            return None
        return Fit(tau_h=1 / rate, lift_c=float(np.median(recent)), usual_lift_c=float(np.median(own)))

    def about(self, end: int, ahead_h: int) -> Numbers | None:
        """degC in the hour before `end` and in each of the hours after; None where the record does not foretell it. No
        further than the room can be foretold."""
        fit = self.fit(end)
        if fit is None or np.isnan(self._bed[end - 1]):
            return None
        room = rhythm.foretell(self._room[max(0, end - LEARNED_H) : end], ahead_h)
        return course(fit, float(self._bed[end - 1]), room)

    def why(self, end: int, hours: int) -> Warming | None:
        """What made the tray warmer or cooler over the last hours: the room, as it would have acted on a tray with its
        usual heat, and what remains."""
        fit = self.fit(end)
        then = end - 1 - hours
        if (
            fit is None
            or then < 0
            or np.isnan(self._room[then:end]).any()
            or np.isnan(self._bed[[then, end - 1]]).any()
        ):
            return None
        start = float(self._bed[then])
        steady = Fit(tau_h=fit.tau_h, lift_c=fit.usual_lift_c, usual_lift_c=fit.usual_lift_c)
        by_room = float(course(steady, start, self._room[then + 1 : end])[-1]) - start
        return Warming(by_room, float(self._bed[end - 1]) - start - by_room)

    def came_out(self, end: int) -> Iterator[CameOut]:
        """How forecasts made before came out. `known_ms` is the number of the hour."""
        steps = [round(days * 24) for days in HORIZONS_D]
        for origin in range(max(STRETCH_H, end - LEARNED_H), end, _EACH_H):
            about = self.about(origin, steps[-1])
            for hours in steps if about is not None else ():
                target = origin - 1 + hours
                if about is not None and target < end and not np.isnan(self._bed[target]):
                    off = abs(float(self._bed[target] - about[hours]))
                    yield CameOut(target, hours / 24, off / scale_c(hours / 24))


def course(fit: Fit, start_c: float, room_c: Numbers) -> Numbers:
    """degC at the start and after each hour in such rooms; heat beyond the usual fades. Exact for a room and a heat
    that hold for each hour."""
    share = -np.expm1(-1 / fit.tau_h)
    fading = np.exp(-np.arange(1, room_c.size + 1) / FADES_H)
    towards = room_c + fit.usual_lift_c + fit.heat_c * fading
    found = np.empty(room_c.size + 1)
    found[0] = start_c
    for hour, target in enumerate(towards):
        found[hour + 1] = found[hour] + share * (target - found[hour])
    return found


def peak(about: Numbers) -> Peak | None:
    """The warmest hour to come; None where it is now, or still rising at the end of what is foretold."""
    hour = int(np.argmax(about))
    return Peak(hour, float(about[hour])) if 0 < hour < about.size - 1 else None


def scale_c(days: float) -> float:
    """What a forecast so far ahead is off by before any came out, degrees."""
    return _SCALE_C + _SCALE_C_DAY * days


def _exchange(starts: NDArray[np.int64], moved: Numbers, over: Numbers) -> float | None:
    """1/tau; None where too few pairs of stretches tell. Every other hour is enough, and quicker."""
    starts, moved, over = starts[::2], moved[::2], over[::2]
    later, earlier = np.tril_indices(starts.size, -1)
    apart = over[later] - over[earlier]
    use = (starts[later] - starts[earlier] <= NEAR_H) & (np.abs(apart) >= APART_KH)
    if np.count_nonzero(use) < FEWEST_PAIRS:
        return None
    slopes = (moved[later] - moved[earlier])[use] / apart[use]
    order = np.argsort(slopes, kind="stable")
    passed = np.cumsum(np.abs(apart[use])[order])
    middle = float(slopes[order][np.searchsorted(passed, 0.5 * passed[-1])])
    return float(np.clip(middle, 1 / SLOWEST_H, 1 / QUICKEST_H)) if middle > 0 else None
