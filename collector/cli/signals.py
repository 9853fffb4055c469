"""Ctrl-C and a polite kill, for what runs until it is told to stop."""

import signal
import threading
from collections.abc import Callable


def on_stop_signals(stop: Callable[[], None]) -> None:
    """`stop` is called at SIGINT and at SIGTERM, however this process was started: what a shell runs in the background
    or under nohup has SIGINT ignored, and stays so unless it asks. It runs between two steps of the main thread, so it
    may take no lock that this thread could be holding."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda _number, _frame: stop())


def setting(event: threading.Event) -> Callable[[], None]:
    """A `stop` for a main thread that waits on this event: it is set by another thread, as setting it takes a lock."""
    return lambda: threading.Thread(target=event.set, daemon=True).start()
