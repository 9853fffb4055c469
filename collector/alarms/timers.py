"""The next timer to end, over all alarms of an engine: a heap whose entries may be early but never late.

A silent alarm's timer moves on with every reading and needs no work for that: its entry is put right when it comes up.
"""

from heapq import heappop, heappush, heapreplace

from collector.alarms.alarm import Alarm


class Timers:
    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Alarm]] = []
        self._number = 0

    def add(self, alarm: Alarm) -> None:
        """Hold an alarm whose timer may now end earlier than known here."""
        due = alarm.due()
        if due is not None and (alarm.queued is None or due < alarm.queued):
            alarm.queued = due
            self._number += 1
            heappush(self._heap, (due, self._number, alarm))

    def next(self) -> tuple[int, Alarm] | None:
        """When the next timer ends and whose it is."""
        while self._heap:
            queued, number, alarm = self._heap[0]
            due = alarm.due()
            if queued != alarm.queued:
                heappop(self._heap)  # an earlier entry of the same alarm took its place
            elif due is None:
                heappop(self._heap)
                alarm.queued = None
            elif due > queued:
                alarm.queued = due
                heapreplace(self._heap, (due, number, alarm))
            else:
                return due, alarm
        return None
