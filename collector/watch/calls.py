"""What others ask of the loop: to stop, to read lab.yaml again, or a piece of upkeep out of its time."""

from collections.abc import Iterator
from queue import Empty, SimpleQueue

from collector.intake.wake import Wake


class Calls:
    """Safe from a signal handler or another thread: nothing here takes a lock. The loop looks at each turn."""

    def __init__(self) -> None:
        self.wake = Wake()
        self.stopping = False
        self._asked: SimpleQueue[str] = SimpleQueue()  # whose `put` may come in the middle of another one

    def stop(self) -> None:
        """The process is to end."""
        self.stopping = True
        self.wake.ring()

    def ask(self, name: str) -> None:
        """`name` of a piece of upkeep, to be done soon."""
        self._asked.put(name)
        self.wake.ring()

    def asked(self) -> Iterator[str]:
        """What was asked for since the last look."""
        while not self._asked.empty():
            try:
                yield self._asked.get_nowait()
            except Empty:
                return
