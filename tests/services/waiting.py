"""Waiting on a condition, never for a length of time."""

import time
from collections.abc import Callable


def wait_until(holds: Callable[[], object], what: str, timeout_s: float = 10.0) -> None:
    """Returns as soon as `holds()` is true; fails after `timeout_s`, saying what never came about."""
    deadline = time.monotonic() + timeout_s
    while not holds():
        if time.monotonic() > deadline:
            raise TimeoutError(f"waited {timeout_s:g} s in vain: {what}")
        time.sleep(0.005)
