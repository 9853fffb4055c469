"""Straight lines through scattered points that a few bad ones cannot bend, after Theil (1950) and Sen (1968).

The slope is the median of the slopes between all pairs of points. Its interval follows from the variance of Kendall's
tau with correction for equal values (Sen 1968, equation 2.6, normal approximation): it holds the true slope nine times
in ten where the points scatter independently. Points of a slowly moving bed do not, so the interval is rather too
narrow; medians of half hours take most of that away.
"""

import math
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from statistics import median

import numpy as np
import numpy.typing as npt

FEWEST = 8
"""Fewer points than this have no trend worth acting on (common practice, no source)."""
_Z = 1.6448536269514722
"""The normal quantile of 0.95: 5 % on either side of a 90 % interval."""

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """y = level + slope * (x - at), for any x near the points."""

    slope: float
    low: float
    high: float
    """Ends of the 90 % interval of the slope."""
    x: float
    y: float
    """A point of the central line: the medians."""

    def at(self, x: float) -> float:
        """The central line at `x`."""
        return self.y + self.slope * (x - self.x)

    @property
    def rises(self) -> bool:
        """Whether the interval holds only rises."""
        return self.low > 0

    @property
    def falls(self) -> bool:
        """Whether the interval holds only falls."""
        return self.high < 0


def theil_sen(x: Numbers, y: Numbers) -> Trend:
    """The trend through points, two at least: `x` strictly increasing, `y` as many. Slopes are in units of `y` for each
    of `x`."""
    later, earlier = _pairs(x.size)
    slopes = np.sort((y[later] - y[earlier]) / (x[later] - x[earlier]))
    low, high = _ends(slopes.size, _sigma(y))
    middle = slopes.size // 2
    slope = slopes[middle] if slopes.size % 2 else 0.5 * (slopes[middle - 1] + slopes[middle])
    return Trend(
        slope=float(slope), low=float(slopes[low]), high=float(slopes[high]), x=median(x.tolist()), y=median(y.tolist())
    )


def steepest(x: Numbers, y: Numbers) -> tuple[float, float]:
    """Bounds (low, high) of the slope of such points, quickly: no line through two points is steeper than all between
    neighbours."""
    slopes = (y[1:] - y[:-1]) / (x[1:] - x[:-1])
    return float(slopes.min()), float(slopes.max())


@lru_cache(maxsize=32)
def _pairs(count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Places of all pairs, the later point first."""
    return np.tril_indices(count, -1)


def _sigma(y: Numbers) -> float:
    """Standard deviation of the number of rising less falling pairs were there no trend."""
    n = y.size
    ties = sum(equal * (equal - 1) * (2 * equal + 5) for equal in Counter(y.tolist()).values() if equal > 1)
    return math.sqrt(max(0.0, n * (n - 1) * (2 * n + 5) - ties) / 18)


def _ends(pairs: int, sigma: float) -> tuple[int, int]:
    """Places of the interval's ends among the sorted slopes."""
    low = max(round((pairs - _Z * sigma) / 2) - 1, 0)
    high = min(round((pairs + _Z * sigma) / 2), pairs - 1)
    return low, high
