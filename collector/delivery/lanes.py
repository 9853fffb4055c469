"""The threads that hand messages over: one for chat, one for all else, so that a mail server that hangs does not keep
a chat message waiting, nor the other way round."""

import threading
import time
from collections.abc import Callable, Mapping

from collector.config.log import Log
from collector.delivery.bounded import give_up
from collector.delivery.port import Carrier, Outbox
from collector.delivery.sender import Sender

_FINISH_S = 3.0
"""For a message that is being handed over when the threads are to end: longer than that nobody waits for a server."""
_GIVEN_UP_S = 2.0


class Lanes:
    """Started once. `failed` is set whenever a message was given up."""

    def __init__(self, outbox: Outbox, channels: Mapping[str, Carrier], now: Callable[[], int], log: Log) -> None:
        self.failed = threading.Event()
        self._stop = threading.Event()
        self._wakes: list[threading.Event] = []
        self._threads: list[threading.Thread] = []
        for name, chat in (("mail", False), ("chat", True)):
            wake = threading.Event()
            sender = Sender(outbox, channels, now, wake, log, chat=chat, on_failed=self.failed.set)
            self._wakes.append(wake)
            self._threads.append(threading.Thread(target=self._run, args=(sender,), name=name, daemon=True))

    def start(self) -> None:
        """Start the threads."""
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """There is something new to send."""
        for event in self._wakes:
            event.set()

    def close(self) -> None:
        """Each thread finishes the message it is handing over, for a moment; then what it waits for is given up, as if
        the server had hung up. Returns within seconds all the same."""
        self._stop.set()
        self.wake()
        self._join(_FINISH_S)
        for thread in self._threads:
            if thread.is_alive():
                give_up(thread)
        self._join(_GIVEN_UP_S)

    def _join(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout=max(0.0, end - time.monotonic()))

    def _run(self, sender: Sender) -> None:
        try:
            sender.run(self._stop)
        except Exception:
            if not self._stop.is_set():  # else nobody waits for it, and the outbox may be closed
                raise
