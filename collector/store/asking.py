"""Waiting for what the collector makes of a request. It takes one up within a second, where it runs."""

import time
from dataclasses import dataclass

from collector.config.clock import Now
from collector.config.home import Home
from collector.store.reader import Reader
from collector.store.requests import Reply
from collector.store.watch_state import STALE_MS, collector_state, read_state

_LOOK_EVERY_S = 0.05


@dataclass(frozen=True, slots=True)
class Waiting:
    """How long somebody waits for the collector's reply, and when the collector counts as not running."""

    reply_s: float
    stale_ms: int = STALE_MS


def reply_to(home: Home, number: int, now: Now, waiting: Waiting) -> Reply | None:
    """What the collector made of a request; None where it does not run, or has not taken it up in time."""
    until = time.monotonic() + waiting.reply_s
    with Reader(home.database) as reader:
        while collector_state(read_state(home.sign_of_life), now(), waiting.stale_ms).runs:
            row = reader.request(number)
            if row is not None and row.reply is not None:
                return row.reply
            if time.monotonic() >= until:
                break
            time.sleep(_LOOK_EVERY_S)
    return None
