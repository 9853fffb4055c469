"""When to commit: at once where it matters, seldom where nothing happens, so that an SD card lasts.

A commit costs at least one flash page, and the shared index of the WAL is written by the kernel on top. At 24 single
readings a minute, one commit a reading would write several hundred MB a day; a budget of one commit in twenty seconds,
saved up for quiet times, keeps it well under 100 MB (`python -m tests.bench writes`) and still answers a maintainer who
publishes one test reading within a quarter of a second. Nothing is at risk meanwhile: what is not committed is not
acknowledged, and the broker keeps it.
"""

from dataclasses import dataclass

GATHER_S = 0.25
REFILL_S = 20.0
MOST_SAVED = 30.0
MANY = 16
"""From this many waiting messages on, a commit is worth its page. Below the 20 unacknowledged messages that a broker
set up by default allows, so that such a broker never waits for us."""


@dataclass(slots=True)
class Pacer:
    """`now_s` is a monotonic clock in seconds."""

    now_s: float
    saved: float = MOST_SAVED

    def wait_s(self, now_s: float, since_s: float, messages: int, urgent: bool) -> float:
        """Seconds until what has waited since `since_s` should be committed; 0 means now."""
        self._refill(now_s)
        if urgent or messages >= MANY:
            return 0.0
        gather = max(0.0, since_s + GATHER_S - now_s)
        return gather if self.saved >= 1 else max(gather, (1 - self.saved) * REFILL_S)

    def committed(self, now_s: float) -> None:
        """A commit was made."""
        self._refill(now_s)
        self.saved = max(0.0, self.saved - 1)

    def _refill(self, now_s: float) -> None:
        self.saved = min(MOST_SAVED, self.saved + max(0.0, now_s - self.now_s) / REFILL_S)
        self.now_s = now_s
