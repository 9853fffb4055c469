"""The threads that hand messages over: one for chat, one for all else, so that a mail server that hangs does not keep
a chat message waiting, nor the other way round."""

import threading
import time
from collections.abc import Callable, Mapping

from collector.config.log import Log
from collector.delivery.port import Carrier, Outbox
from collector.delivery.sender import Sender

_JOIN_S = 30.0


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
            self._threads.append(threading.Thread(target=sender.run, args=(self._stop,), name=name, daemon=True))

    def start(self) -> None:
        """Start the threads."""
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """There is something new to send."""
        for event in self._wakes:
            event.set()

    def close(self) -> None:
        """Each thread finishes the message it is handing over; returns within half a minute all the same."""
        self._stop.set()
        self.wake()
        end = time.monotonic() + _JOIN_S
        for thread in self._threads:
            if thread.is_alive():
                thread.join(timeout=max(0.0, end - time.monotonic()))
