"""The people of the demo: who tells what happens, the class that notes what it does, as it would by hand, and who
answers a message."""

import threading
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from collector.config.clock import Now
from collector.config.home import Home
from collector.store.errors import StoreError
from collector.store.requests import Acknowledge, BrewStart, Request, write_request

if TYPE_CHECKING:
    from sim_sensors.scenario import Scenario

Event = tuple[int, Callable[[], None]]
"""(when, ms UTC; what is done then)"""
_CLASS = "class 4b"
_MIN_MS = 60_000
ANSWERS = (
    (25 * _MIN_MS, Acknowledge(rule="bedding-parched", place="juniper/top", by="teacher")),
    (300 * _MIN_MS, Acknowledge(rule="bedding-hot", place="maple/middle", by="caretaker")),
)
"""(since the start of the story, ms; what is answered), as its captions say."""
_AGAIN_S = 0.2
"""A journal that is just being made is tried again after this."""


def events(scenario: "Scenario", start_ms: int, home: Home, on_caption: Callable[[int, str], None]) -> list[Event]:
    """All that people say and note while the scenario is played, in order."""
    found: list[Event] = []

    def caption(at_ms: int, says: str) -> None:
        found.append((start_ms + at_ms, lambda: on_caption(start_ms + at_ms, says)))

    def leave(at_ms: int, request: Request) -> None:
        t_ms = start_ms + at_ms
        found.append((t_ms, lambda: _left(home, request, t_ms)))

    for line in scenario.captions:
        caption(line.at_ms, line.says)
    for brew in scenario.brews:
        leave(brew.at_ms, BrewStart(place=brew.place, by=_CLASS))
    for at_ms, answer in ANSWERS:
        leave(at_ms, answer)
    return sorted(found, key=lambda event: event[0])


def act(events: Iterable[Event], now: Now, pace: float, stop: threading.Event) -> None:
    """Each at its time on the demo's clock, until there is none left or `stop` is set."""
    for at_ms, do in events:
        if stop.wait(max(0.0, (at_ms - now()) / 1000 / pace)):
            return
        while not _done(do):
            if stop.wait(_AGAIN_S):
                return


def _left(home: Home, request: Request, t_ms: int) -> None:
    write_request(home.database, request, t_ms)


def _done(do: Callable[[], None]) -> bool:
    try:
        do()
    except StoreError:
        return False
    return True
