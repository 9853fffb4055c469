"""What a room does next, from its own week: heating times, nights, the weekend's setback.

An hour to come is as the same hour was in the weeks before (their median), moved by how far the last day lay from its
own weeks; that fades as the hour lies further off, with FADES_H. Before there is a week, the same hour of the last days
stands in. A first cold weekend, a holiday with the heating off and the weather are not in it: how far off it is shows
in the errors that were made.
"""

import numpy as np
from numpy.typing import NDArray

from collector.husbandry.air import Numbers

Places = NDArray[np.int64]
DAY_H, WEEK_H = 24, 168
FADES_H = 36.0
"""Hours after which a third of today's oddness is left (common practice, no source)."""
_WEEKS, _DAYS = 4, 7


def foretell(past: Numbers, hours: int) -> Numbers:
    """The next `hours` hourly values after `past`, which holds hourly values up to now, NaN where unknown. NaN
    throughout where nothing is known."""
    end = past.size
    profile = _profile(past, np.arange(end, end + hours))
    latest = np.arange(max(0, end - DAY_H), end)
    oddness = _middle((past[latest] - _profile(past, latest))[:, None])[0]
    if np.isnan(oddness):
        return profile
    fading = np.exp(-np.arange(1, hours + 1) / FADES_H)
    found: Numbers = profile + oddness * fading
    return found


def _profile(past: Numbers, at: Places) -> Numbers:
    """What is usual at these hours, each from what lies before it and is known."""
    weeks = _middle(_lagged(past, at, WEEK_H, _WEEKS))
    days = _middle(_lagged(past, at, DAY_H, _DAYS))
    found: Numbers = np.where(np.isnan(weeks), days, weeks)
    return np.where(np.isnan(found), _middle(past[:, None])[0], found)


def _lagged(past: Numbers, at: Places, lag: int, count: int) -> Numbers:
    """A row for each multiple of the lag, from the first that lies in the past on; NaN where that is unknown."""
    first = np.maximum(1, -((past.size - 1 - at) // lag))
    places = at - lag * (first + np.arange(count)[:, None])
    return np.where(places >= 0, past[np.clip(places, 0, None)], np.nan)


def _middle(rows: Numbers) -> Numbers:
    """Median of each column over what is known; NaN where nothing is."""
    known = np.count_nonzero(~np.isnan(rows), axis=0)
    ranked = np.sort(rows, axis=0)  # unknown ones come last
    low, high = np.maximum(known - 1, 0) // 2, known // 2
    column = np.arange(rows.shape[1])
    middle: Numbers = 0.5 * (ranked[low, column] + ranked[np.minimum(high, rows.shape[0] - 1), column])
    return middle
