"""A clock that moves only when told to."""

QUILLBROOK_MORNING_MS = 1_767_600_000_000
"""2026-01-05T08:00:00Z, a Monday."""


class FakeClock:
    """Stands in for the collector's clock: call it for the time in integer milliseconds UTC."""

    def __init__(self, now_ms: int = QUILLBROOK_MORNING_MS) -> None:
        self.now_ms = now_ms

    def __call__(self) -> int:
        return self.now_ms

    def advance(self, *, ms: int = 0, s: int = 0, minutes: int = 0, hours: int = 0) -> int:
        """Moves on and returns the new time; a clock set back is a negative number."""
        self.now_ms += ms + 1000 * (s + 60 * (minutes + 60 * hours))
        return self.now_ms
