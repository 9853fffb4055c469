"""The simulator's one reader of clocks: the wall clock, and a clock that runs `pace` times as fast."""

import time
from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], int]
"""The lab's time now, ms UTC."""


def wall_ms() -> int:
    return round(datetime.now(UTC).timestamp() * 1000)  # noqa: TID251 - the one place that reads the wall clock


def paced(start_ms: int, pace: float) -> Clock:
    """A clock that shows `start_ms` now and runs `pace` times as fast; steps of the wall clock do not move it."""
    began = time.monotonic()
    return lambda: start_ms + round((time.monotonic() - began) * 1000 * pace)
