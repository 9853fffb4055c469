"""Asking the collector for something and waiting for its answer.

It alone changes alarms and the diary; whoever wants a change leaves a request in the journal, which it takes up within
a second.
"""

import time
from collections.abc import Mapping

from collector.config.clock import system_now
from collector.config.home import Home
from collector.store.reader import Reader
from collector.store.requests import write_request
from collector.store.watch_state import STALE_MS, read_state

NOT_RUNNING = "noted; the collector is not running and takes it up when it does"
_ANSWER_S = 5.0


def ask(home: Home, kind: str, body: Mapping[str, object]) -> str | None:
    """Leave a request; what the collector made of it, or None where it does not run (say NOT_RUNNING then)."""
    return answer_to(home, write_request(home.database, kind, body, system_now()))


def answer_to(home: Home, number: int) -> str | None:
    """What the collector made of a request, or None where it does not run."""
    state = read_state(home.sign_of_life)
    if state is None or state.link == "stopped" or system_now() - state.alive_ms > STALE_MS:
        return None
    until = time.monotonic() + _ANSWER_S
    while time.monotonic() < until:
        with Reader(home.database) as reader:
            request = reader.request(number)
        if request is not None and request.done_ms is not None:
            return request.result
        time.sleep(0.1)
    return None
