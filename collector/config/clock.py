"""The one place that reads the time of day. Everything else is given `now` in ms UTC as an argument."""

import time
from collections.abc import Callable

Now = Callable[[], int]
"""Returns the present time in ms since 1970-01-01T00:00:00Z."""


def system_now() -> int:
    """The machine's clock."""
    return time.time_ns() // 1_000_000


def scaled_now(start_ms: int, pace: float) -> Now:
    """A clock that starts at `start_ms` and runs `pace` times as fast as real time (for the demo)."""
    began = time.monotonic()
    return lambda: start_ms + round((time.monotonic() - began) * 1000 * pace)
