"""Waiting on a condition, never for a length of time."""

import time
from collections.abc import Callable


def wait_until(holds: Callable[[], object], what: str, timeout_s: float = 10.0) -> None:
    """Returns as soon as `holds()` is true; fails after `timeout_s`, saying what never came. What is costly to ask
    is asked less often, so that whoever is waited for has most of the core."""
    deadline = time.monotonic() + timeout_s
    while True:
        asked_s = time.thread_time()
        if holds():
            return
        cost_s = time.thread_time() - asked_s
        if time.monotonic() > deadline:
            raise TimeoutError(f"waited {timeout_s:g} s in vain: {what}")
        time.sleep(min(max(0.005, 4 * cost_s), 0.25))
