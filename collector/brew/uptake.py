"""Oxygen that a brew takes up and that its air brings in, from the readings themselves.

    dC/dt = kLa (C* - C) - OUR        C and C* mg/L, kLa 1/h, OUR mg/(L h)

With the pump off and little surface the slope is -OUR; with it on and the level at rest, kLa = OUR / (C* - C). (The
dynamic gassing-out method; in clean water that is ASCE/EWRI 2-06, from memory.) So each pause of the pump measures
both: the fall gives the uptake, the rise after it the transfer. Right after the air stops bubbles still rise; those
readings are left out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]

BUBBLES_S = 30.0
"""So long entrained bubbles rise after the air stopped (common practice, no source)."""
FEWEST = 4
"""Readings that make a slope."""
LEAST_DEFICIT_MG_L = 0.2
"""Nearer to saturation the transfer cannot be told from the probe's error."""
_S_PER_H = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """What a pause of the pump told."""

    uptake_mg_l_h: float
    transfer_per_h: float | None = None
    """kLa; None where no rise after the pause told it."""


def uptake_mg_l_h(seconds: Numbers, level_mg_l: Numbers) -> float | None:
    """Uptake by readings while the air is off, `seconds` since it stopped; None where too few lie after the bubbles.
    The median of all slopes, so that one odd reading does not bend it; at least 0. What the still surface lets in is in
    it: it is what the brew loses by itself."""
    use = seconds >= BUBBLES_S
    if np.count_nonzero(use) < FEWEST:
        return None
    return max(0.0, -_slope_per_h(seconds[use], level_mg_l[use]))


def transfer_per_h(seconds: Numbers, level_mg_l: Numbers, saturation_mg_l: float, uptake: float) -> float | None:
    """kLa by readings while the level rises after the air came back: of each pair of neighbours (slope + OUR) divided
    by (C* - C) in the middle between them, and of these the median. None where too few lie far enough from
    saturation."""
    if seconds.size < 2:
        return None
    slope = np.diff(level_mg_l) / np.diff(seconds) * _S_PER_H
    deficit = saturation_mg_l - 0.5 * (level_mg_l[1:] + level_mg_l[:-1])
    use = deficit >= LEAST_DEFICIT_MG_L
    if np.count_nonzero(use) < FEWEST - 1:
        return None
    found = float(np.median((slope[use] + uptake) / deficit[use]))
    return found if found > 0 else None


def level_at_rest_mg_l(air: Air, saturation_mg_l: float) -> float | None:
    """Where the level comes to rest with the air on: C* - OUR / kLa, at least 0."""
    if air.transfer_per_h is None:
        return None
    return max(0.0, saturation_mg_l - air.uptake_mg_l_h / air.transfer_per_h)


def least_transfer_per_h(uptake: float, saturation_mg_l: float, floor_mg_l: float) -> float | None:
    """The kLa that just holds the floor: OUR / (C* - floor); None where no air does, since the water holds no more than
    the floor."""
    return uptake / (saturation_mg_l - floor_mg_l) if saturation_mg_l > floor_mg_l else None


def margin_min(level_mg_l: float, floor_mg_l: float, uptake: float) -> float | None:
    """Minutes to the floor if the pump stopped now: (C - floor) / OUR; 0 below it; None where the brew takes up
    nothing."""
    if level_mg_l <= floor_mg_l:
        return 0.0
    return (level_mg_l - floor_mg_l) / uptake * 60 if uptake > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Clogging:
    """A stone that clogs: transfer falls from pause to pause."""

    per_h: float
    """Share of the transfer lost in an hour."""
    hours_left: float
    """Until the transfer no longer holds the floor, by the middle of the slopes; 0 where it does not now."""
    soonest_h: float
    """The same by the steepest quarter of the slopes."""


def clogging(hours: Numbers, transfers: Numbers, least_per_h: float) -> Clogging | None:
    """From kLa at several pauses, `hours` rising with the last one now; None where it does not fall: at least three
    quarters of the slopes between pairs must. Transfer is taken to fall by the same share each hour, as a stone whose
    pores close one after another has it (common practice, no source)."""
    if hours.size < FEWEST:
        return None
    later, earlier = np.tril_indices(hours.size, -1)
    slopes = (np.log(transfers[later]) - np.log(transfers[earlier])) / (hours[later] - hours[earlier])
    steep, middle, flat = np.quantile(slopes, [0.25, 0.5, 0.75])
    if flat >= 0:
        return None
    now = float(np.median(np.log(transfers) + middle * (hours[-1] - hours)))
    spare = max(0.0, now - float(np.log(least_per_h)))
    return Clogging(per_h=float(-np.expm1(middle)), hours_left=spare / -float(middle), soonest_h=spare / -float(steep))


def _slope_per_h(seconds: Numbers, level: Numbers) -> float:
    later, earlier = np.tril_indices(seconds.size, -1)
    return float(np.median((level[later] - level[earlier]) / (seconds[later] - seconds[earlier]))) * _S_PER_H
