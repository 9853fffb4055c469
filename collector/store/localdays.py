"""Hours in UTC and days in the lab's time zone, as ms. A day is 23 or 25 hours long where the clocks change."""

from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

HOUR_MS = 3_600_000
_KEPT = 20_000


class Day(NamedTuple):
    name: str
    """YYYY-MM-DD"""
    start_ms: int
    end_ms: int


def hour_start(t_ms: int) -> int:
    return t_ms - t_ms % HOUR_MS


class LocalDays:
    """Local days by time, remembered by hour."""

    def __init__(self, time_zone: str) -> None:
        self.time_zone = time_zone
        self._zone = ZoneInfo(time_zone)
        self._of_hour: dict[int, tuple[Day, ...]] = {}

    def at(self, t_ms: int) -> Day:
        """The day `t_ms` falls on."""
        local = (datetime.fromtimestamp(t_ms // 1000, UTC)).astimezone(self._zone).date()
        return Day(local.isoformat(), self._midnight(local), self._midnight(local + timedelta(days=1)))

    def of_hour(self, start_ms: int) -> tuple[Day, ...]:
        """The one or, where the offset is not whole hours, two days an hour has a part in."""
        days = self._of_hour.get(start_ms)
        if days is None:
            if len(self._of_hour) >= _KEPT:
                self._of_hour.clear()
            first = self.at(start_ms)
            days = (first,) if start_ms + HOUR_MS <= first.end_ms else (first, self.at(first.end_ms))
            self._of_hour[start_ms] = days
        return days

    def _midnight(self, day: date) -> int:
        # Where the clocks skip midnight itself, fold 0 gives the moment of the change: the day's first.
        moment = datetime(day.year, day.month, day.day, tzinfo=self._zone)
        return int(moment.timestamp()) * 1000
