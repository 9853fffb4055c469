"""What the collector knows of itself, once a minute, for the alarms of rules/collector.yaml.

`backlog` messages held because the journal cannot be written; `disk_free` MB on the journal's disk; `mail_waiting`
minutes the oldest message has waited, or is unsaid because nobody can be reached; `clock_step` seconds the clock moved
other than time passed; `restarts` starts of the collector within a day; `journal_sound` minutes
since the journal was found damaged, and `session_kept` since the broker had forgotten us, a fortnight at most;
`journal_unread` minutes in which a part of it could not be read;
`not_kept` readings of the last hour that were taken and not stored.
"""

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from collector.domain.lab import SeriesKey
from collector.domain.own_series import COLLECTOR
from collector.domain.units import MS
from collector.store.journal import Journal
from collector.store.vocabulary import NOT_KEPT, EventKind

_STEP_STANDS_S = 600.0
_HOUR_S = 3_600.0
_LONG_MIN = 14 * 24 * 60.0


@dataclass(slots=True, kw_only=True)
class SelfCheck:
    """Takes its readings when asked; `pace` is how fast the clock in use runs against real time."""

    folder: Path
    journal: Journal
    numbers: Mapping[SeriesKey, int]
    pace: float = 1.0
    unsaid_ms: Callable[[int], int | None] = lambda _now_ms: None
    """When the oldest message was written that failed for good and that nobody else could be told of."""
    unread: Callable[[], bool] = lambda: False
    """Whether a part of the journal could not be read when it was last tried."""
    _last: tuple[int, float] | None = None
    _unread_s: float | None = None
    _steps: list[tuple[float, float]] = field(default_factory=list)
    _dropped: list[tuple[float, int]] = field(default_factory=list)

    def readings(self, now_ms: int, monotonic_s: float, held: int) -> dict[int, float]:
        """Series -> value, for the time `now_ms`."""
        found = {
            "backlog": float(held),
            "disk_free": round(shutil.disk_usage(self.folder).free / 1e6),
            "mail_waiting": self._mail_waiting_min(now_ms),
            "clock_step": self._clock_step_s(now_ms, monotonic_s),
            "restarts": float(self.journal.starts_since(now_ms - MS["d"])),
            "journal_sound": self._since_min(EventKind.JOURNAL_DAMAGED, now_ms),
            "journal_unread": self._unread_min(monotonic_s),
            "session_kept": self._since_min(EventKind.NEW_SESSION, now_ms),
            "not_kept": self._not_kept(monotonic_s),
        }
        return {
            self.numbers[SeriesKey(probe=COLLECTOR, channel=name, measure=name, place=COLLECTOR)]: value
            for name, value in found.items()
        }

    def _since_min(self, kind: EventKind, now_ms: int) -> float:
        last_ms = self.journal.last_ms(kind)
        return _LONG_MIN if last_ms is None else min(_LONG_MIN, max(0.0, round((now_ms - last_ms) / MS["min"])))

    def _unread_min(self, monotonic_s: float) -> float:
        if not self.unread():
            self._unread_s = None
            return 0.0
        self._unread_s = monotonic_s if self._unread_s is None else self._unread_s
        return round((monotonic_s - self._unread_s) * self.pace / 60)

    def _not_kept(self, monotonic_s: float) -> float:
        counters = self.journal.counters()
        now = sum(counters.get(name, 0) for name in NOT_KEPT)
        self._dropped = [drop for drop in self._dropped if drop[0] > monotonic_s - _HOUR_S] + [(monotonic_s, now)]
        return float(now - self._dropped[0][1])

    def _mail_waiting_min(self, now_ms: int) -> float:
        found = (self.journal.oldest_waiting_ms(now_ms - MS["d"]), self.unsaid_ms(now_ms))
        oldest = min((ms for ms in found if ms is not None), default=now_ms)
        return max(0.0, round((now_ms - oldest) / MS["min"], 1))

    def _clock_step_s(self, now_ms: int, monotonic_s: float) -> float:
        """How far the clock has lately moved beside the time that passed: a step is one moment, and an alarm about it
        should stand long enough to be seen."""
        last, self._last = self._last, (now_ms, monotonic_s)
        if last is not None:
            passed_ms = (monotonic_s - last[1]) * 1000 * self.pace
            self._steps.append((monotonic_s, round(abs(now_ms - last[0] - passed_ms) / 1000, 1)))
        self._steps = [(at_s, step) for at_s, step in self._steps if at_s > monotonic_s - _STEP_STANDS_S]
        return max((step for _, step in self._steps), default=0.0)
