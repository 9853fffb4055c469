"""What one series may bring: all that an honest lab could send, and little of what only a broken or hostile probe does.

A probe that sends as fast as it can, with a new time in each reading, would fill the disk: nothing else tells its
readings from good ones. So each series has allowances that fill with time, and a store of them for a backlog.

READINGS   ten weeks at one a minute, a day at the shortest interval lab.yaml takes (1 s), and from then on twice that
           interval's rate. At 35 bytes a reading on disk a series gone mad costs 4 MB at once and 6 MB a day.
CHANGES    of alarms: 33 cycles a day for a month at once, then one change a minute. Beyond that its readings are stored
           and not judged: flipping a value over years of made-up times would raise and end an alarm every hour of them.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Allowance:
    at_once: int
    per_s: float


READINGS = Allowance(100_000, 2.0)
CHANGES = Allowance(2_000, 1 / 60)


class Allowances:
    """What is left for each series. Full at each start of the program; times are those of arrival."""

    def __init__(self, each: Allowance) -> None:
        self._each = each
        self._left: dict[int, tuple[float, int]] = {}

    def left(self, series: int, now_ms: int) -> int:
        """What may still come; negative where more was spent. A clock that was set back adds nothing."""
        left, since_ms = self._left.get(series, (float(self._each.at_once), now_ms))
        left = min(self._each.at_once, left + max(0, now_ms - since_ms) / 1000 * self._each.per_s)
        self._left[series] = (left, now_ms)
        return int(left // 1)

    def spend(self, series: int, number: int, now_ms: int) -> None:
        """So many came of it; also more than there were left."""
        self.left(series, now_ms)
        left, _ = self._left[series]
        self._left[series] = (left - number, now_ms)
