"""What `watch` does by the clock, beside reading and judging: one table by name and time.

The loop asks the table at each turn what is due, and does it itself. The times are apscheduler's triggers. Its
scheduler is not used: it goes by the time of day and works out every run missed. After a board's clock went from 1970
to the present that is 29 million runs a job and 1.6 GB of memory; after a step back all upkeep would rest until the old
time has come again. Here an interval goes by a clock that never steps, what was missed is made up for once, and a time
of day that was planned under a clock since set back is planned anew.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from collector.domain.own_series import SELF_EVERY_MS
from collector.reports.due import REPORTS_EVERY_S
from collector.store.repair.slow_check import STEP_EVERY_S

REQUESTS_EVERY_S = 0.5
FILES_EVERY_S = 2.0
STATE_EVERY_S = 60.0
TIDY_EVERY_S = 300.0


def every(seconds: float) -> BaseTrigger:
    """Again and again, so many seconds apart."""
    return IntervalTrigger(seconds=seconds, timezone=UTC)


def daily(hour: int, minute: int) -> BaseTrigger:
    """Once a day, at this time in UTC."""
    return CronTrigger(hour=hour, minute=minute, timezone=UTC)


def usual_times(pace: float = 1.0) -> dict[str, BaseTrigger]:
    """The table, in the order in which things are done that are due together. `pace`: how fast the time of day runs."""
    return {
        "requests": every(REQUESTS_EVERY_S),
        "dead addresses": every(REQUESTS_EVERY_S),
        "state": every(STATE_EVERY_S),
        "tidy": every(TIDY_EVERY_S),
        "self-check": every(SELF_EVERY_MS / 1000),
        "reports": every(max(1.0, REPORTS_EVERY_S / pace)),
        "retention": daily(3, 17),
        "reach": daily(5, 30),
        "files": every(FILES_EVERY_S),
        "slow check": every(STEP_EVERY_S),
    }


@dataclass(frozen=True, slots=True)
class _Planned:
    """When something is next due and when that was worked out, in seconds of the clock it goes by."""

    at_s: float
    since_s: float


class Schedule:
    """The table at work. `steady_s` is a clock in seconds that never steps, `now_ms` the time of day."""

    def __init__(self, times: Mapping[str, BaseTrigger], steady_s: float, now_ms: int) -> None:
        self._times = dict(times)
        self._asked: dict[str, None] = {}
        self._planned = {name: self._plan(name, steady_s, now_ms) for name in times}

    def ask(self, name: str) -> None:
        """Let it be due at the next look, whatever its time; also something that has no time in the table."""
        self._asked[name] = None

    def due(self, steady_s: float, now_ms: int) -> list[str]:
        """What is due, first what was asked for. It stays due until it is `done`."""
        by_time = (name for name in self._times if name not in self._asked and self._is_due(name, steady_s, now_ms))
        return [*self._asked, *by_time]

    def done(self, name: str, steady_s: float, now_ms: int) -> None:
        """It is being done: its next time counts from here."""
        self._asked.pop(name, None)
        if name in self._times:
            self._planned[name] = self._plan(name, steady_s, now_ms)

    def wait_s(self, name: str, steady_s: float) -> float:
        """Seconds until the interval of this name is over."""
        return max(0.0, self._planned[name].at_s - steady_s)

    def _is_due(self, name: str, steady_s: float, now_ms: int) -> bool:
        planned, clock_s = self._planned[name], self._clock_s(name, steady_s, now_ms)
        if clock_s < planned.since_s:  # set back
            planned = self._planned[name] = self._plan(name, steady_s, now_ms)
        return clock_s >= planned.at_s

    def _plan(self, name: str, steady_s: float, now_ms: int) -> _Planned:
        clock_s = self._clock_s(name, steady_s, now_ms)
        moment = datetime.fromtimestamp(clock_s, UTC)
        return _Planned(self._times[name].get_next_fire_time(moment, moment).timestamp(), clock_s)

    def _clock_s(self, name: str, steady_s: float, now_ms: int) -> float:
        return steady_s if self._is_steady(name) else now_ms / 1000

    def _is_steady(self, name: str) -> bool:
        return isinstance(self._times[name], IntervalTrigger)
