"""Whether a backlog is coming in: what the broker held for us is judged, and told, together and before any timer runs
out over it."""

from dataclasses import dataclass

BACKLOG_MESSAGES = 10
"""As many at once are what the broker held for us; fewer than the 20 that an ordinary broker sends ahead."""
CAUGHT_UP_S = 1.0
CATCH_UP_S = 60.0
"""Timers and people wait for a backlog no longer than this."""


@dataclass(slots=True)
class CatchingUp:
    """`now_s` is a monotonic clock in seconds."""

    _on: bool = True
    _until_s: float = 0.0
    _latest_s: float = 0.0

    def begin(self, now_s: float, for_s: float) -> None:
        """Gather for so long, and longer while a backlog comes in."""
        self._on, self._until_s, self._latest_s = True, now_s + for_s, now_s + CATCH_UP_S

    def took(self, messages: int, now_s: float) -> None:
        """So many messages came in one turn."""
        if self._on and messages >= BACKLOG_MESSAGES and now_s < self._latest_s:
            self._until_s = now_s + CAUGHT_UP_S
        elif now_s >= self._until_s:
            self._on = False

    def gathering(self, now_s: float) -> bool:
        return now_s < self._until_s
