"""The sign of life for somebody elsewhere: a web address that is called, an MQTT topic that is written, or both.

Both speak only while there is real progress: the collector's loop turns and the journal can be written. Whoever waits
for the sign learns by its absence what the lab itself cannot tell any more: that its power or its network is gone.

    alive     {"state": "alive", "at": "2026-03-02T08:00:00Z", "every_s": 300}    retained, at each (re)connection too
    gone      {"state": "gone"}        the collector's last will: its broker says it once the connection is lost
    stopped   {"state": "stopped", "at": ...}    somebody stopped the collector
"""

import json
import threading
import time
from collections.abc import Callable
from typing import Protocol
from urllib.parse import urlsplit

from collector.config.log import Log
from collector.delivery.bounded import NoAnswer, Request, ask
from collector.letters.local_time import utc
from collector.letters.plain import one_line
from collector.store.watch_state import SignalTally

GONE = json.dumps({"state": "gone"}).encode()
_NO_PROGRESS_S = 60.0
"""A loop that has not turned for so long is stuck; a turn with much upkeep in it takes seconds."""
_ANSWER_S = 10.0
_LOOK_S = 1.0


class Voice(Protocol):
    """The connection to the broker."""

    @property
    def up(self) -> bool: ...
    def tell(self, payload: bytes) -> None:
        """Publish to the topic of life, retained; what became of it comes by `Pulse.told`."""
        ...


class Tally:
    """How one way fares. A failure is logged when it begins and when it is over."""

    def __init__(self, name: str, now: Callable[[], int], log: Log) -> None:
        self.name, self._now, self._log = name, now, log
        self.last_ms: int | None = None
        self.failures = 0
        self.error = ""

    def add(self, error: str) -> None:
        """One try; no error: it was taken."""
        if error and not self.error:
            self._log.warning(f"heartbeat {self.name}: {error}; tried again each time, people are not told")
        if self.error and not error:
            self._log(f"heartbeat {self.name}: works again")
        self.error = one_line(error, 120)
        if error:
            self.failures += 1
        else:
            self.last_ms = self._now()

    def shown(self) -> SignalTally:
        return SignalTally(by=self.name, last_ms=self.last_ms, failures=self.failures, error=self.error)


class Pulse:
    """`turned` is called by the collector's loop at each turn; the web address has a thread of its own."""

    def __init__(
        self,
        url: str | None,
        topic: str,
        every_s: float,
        now: Callable[[], int],
        log: Log,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """`every_s` seconds of `monotonic` lie between two signs."""
        self._url, self._topic, self._every_s, self._now, self._monotonic = url, topic, every_s, now, monotonic
        self._by_url = Tally("url", now, log)
        self._by_topic = Tally("topic", now, log)
        self._progress_s = float("-inf")
        self._topic_due_s = self._url_due_s = float("-inf")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        if self._url:
            self._thread.start()

    def close(self) -> None:
        """Nothing depends on the call that may be under way: it is not waited for."""
        self._stop.set()

    def tallies(self) -> tuple[SignalTally, ...]:
        """What `status` shows, for the ways that are set up."""
        ways = ((self._url, self._by_url), (self._topic, self._by_topic))
        return tuple(tally.shown() for there, tally in ways if there)

    def turned(self, writable: bool, voice: Voice) -> None:
        """The loop has turned. `writable`: as far as is known, the journal can be written."""
        now_s = self._monotonic()
        self._progress_s = now_s if writable else float("-inf")
        if not self._topic:
            return
        if not voice.up:
            self._topic_due_s = now_s  # the last will may have spoken by the time we are back
        elif writable and now_s >= self._topic_due_s:
            self._topic_due_s = now_s + self._every_s
            voice.tell(self._payload("alive", every_s=self._every_s))

    def stopping(self, voice: Voice) -> None:
        """A planned stop: the last word before the connection is closed."""
        if self._topic and voice.up:
            voice.tell(self._payload("stopped"))

    def told(self, error: str) -> None:
        """What the broker said to a sign of life."""
        self._by_topic.add(error)

    def _payload(self, state: str, **more: float) -> bytes:
        at = utc(self._now()).strftime("%Y-%m-%dT%H:%M:%SZ")
        return json.dumps({"state": state, "at": at, **more}).encode()

    def _run(self) -> None:
        while not self._stop.wait(_LOOK_S):
            self.call_if_due()

    def call_if_due(self) -> None:
        """Call the web address if it is time and there is progress; its thread asks every second."""
        now_s = self._monotonic()
        if self._url and now_s >= self._url_due_s and now_s - self._progress_s < _NO_PROGRESS_S:
            self._url_due_s = now_s + self._every_s
            self._by_url.add(call(self._url))


def call(url: str, timeout_s: float = _ANSWER_S) -> str:
    """GET a web address; returns what went wrong, empty where it answered 2xx. Names the host alone: the rest of the
    address may hold a key."""
    host = urlsplit(url).hostname
    try:
        status = ask(Request(method="GET", url=url, deadline_s=timeout_s, redirects=3)).status
    except NoAnswer as error:
        return f"{host} {error.reason}"
    except Exception as error:  # noqa: BLE001  a strange answer must not end the thread
        return f"{host}: {type(error).__name__}"
    return "" if 200 <= status < 300 else f"{host} answered {status}"
