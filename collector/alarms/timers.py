"""The next timer to end, over all alarms of an engine: a heap whose entries may be early but never late.

A silence's timer moves on with every reading and needs no work for that: its entry is put right when it comes up.
"""

from heapq import heappop, heappush, heapreplace

from collector.alarms.kinds.alarm import Alarm
from collector.alarms.kinds.first_cause import Tree

Timed = Alarm | Tree
"""What has a next moment: an alarm, or silences decided together."""


class Timers:
    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Timed]] = []
        self._number = 0

    def add(self, timed: Timed) -> None:
        """Hold one whose timer may now end earlier than known here."""
        due = timed.next_ms()
        if due is not None and (timed.queued is None or due < timed.queued):
            timed.queued = due
            self._number += 1
            heappush(self._heap, (due, self._number, timed))

    def next(self) -> tuple[int, Timed] | None:
        """When the next timer ends and whose it is."""
        while self._heap:
            queued, number, timed = self._heap[0]
            due = timed.next_ms()
            if queued != timed.queued:
                heappop(self._heap)  # an earlier entry of the same one took its place
            elif due is None:
                heappop(self._heap)
                timed.queued = None
            elif due > queued:
                timed.queued = due
                heapreplace(self._heap, (due, number, timed))
            else:
                return due, timed
        return None
