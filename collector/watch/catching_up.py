"""Whether a backlog is coming in: what the broker held for us is judged, and told, together and before any timer runs
out over it."""

BACKLOG_MESSAGES = 10
"""As many at once are what the broker held for us; fewer than the 20 that an ordinary broker sends ahead."""
CAUGHT_UP_S = 1.0
CATCH_UP_S = 60.0
"""Timers and people wait for a backlog no longer than this."""


class CatchingUp:
    """`now_s` is a clock in seconds that never steps."""

    def __init__(self, now_s: float, for_s: float) -> None:
        self.begin(now_s, for_s)

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
        """Whether a backlog may still be coming in."""
        return now_s < self._until_s
