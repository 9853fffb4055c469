"""Condition `silent`: nothing usable from a probe, or no link to the broker, for as long as the setpoint says.

    baseline = the latest of: last usable reading, link to the broker came up, series created
    raises     at baseline + setpoint + on-delay, unless a usable reading comes until then
    clears     off-delay after the next usable reading

While the link is down probes cannot be heard, so their silence says nothing: those alarms wait, and the alarm for the
link itself (`where: broker`) counts from the moment the link went down.

When a silent alarm is due follows from the baseline and is never stored, so that readings that come in on time write
nothing. An off-delay is shorter than the setpoint (rule files that say otherwise are refused), so it cannot outlast the
next silence.
"""

import numpy as np

from collector.alarms.alarm import Alarm, Ledger, SeriesAlarm
from collector.alarms.chunk import Large, Small, Times
from collector.alarms.model import AlarmState, Link, Rule


class Silence(SeriesAlarm):
    """A series from which nothing usable comes."""

    __slots__ = ("armed", "created_ms", "floor_ms", "heard_ms", "reach_ms")

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger, heard_ms: int | None, created_ms: int) -> None:
        super().__init__(rule, saved, ledger)
        if not self.active:
            self.deadline = None
        self.reach_ms = round(rule.setpoint) + rule.on_delay_ms
        self.created_ms = self.floor_ms = created_ms
        self.heard_ms = created_ms if heard_ms is None else heard_ms
        self.armed = False

    def link_is(self, link: Link) -> None:
        self.armed = link.up
        if link.up:
            self.floor_ms = max(self.created_ms, link.since_ms)

    def due(self) -> int | None:
        if self.active:
            return self.deadline
        return max(self.heard_ms, self.floor_ms) + self.reach_ms if self.armed else None

    def fire(self, at_ms: int, value: float | None = None) -> None:
        if self.active:
            self.clear(at_ms, None)
        else:
            self.annunciate(at_ms, max(self.heard_ms, self.floor_ms), None)

    def untouched_by(self, chunk: Small | Large) -> bool:
        if self.active:
            return False
        due, first, last = self.due(), chunk.first_heard_ms, chunk.last_heard_ms
        if first is None or last is None:
            return due is None or due > chunk.last_ms
        if due is not None and (
            due < first
            or chunk.longest_gap_ms > self.reach_ms
            or max(last, self.floor_ms) + self.reach_ms <= chunk.last_ms
        ):
            return False
        self.heard_ms = max(self.heard_ms, last)
        return True

    def walk(self, chunk: Small, value: float | None) -> None:
        for t_ms, told, _ in chunk.rows:
            self._step(t_ms, told is not None)

    def scan(self, chunk: Large, value: float | None) -> None:
        times, position = chunk.heard_ms, 0
        late = 1 + np.flatnonzero(np.maximum(times[:-1], self.floor_ms) + self.reach_ms < times[1:])
        while position < times.size:
            due = self.due()
            if self.active or (due is not None and due < times[position]):
                self._step(int(times[position]), True)
                position += 1
            position = self._skip(times, late, position)
        self._step(chunk.last_ms, False)

    def _skip(self, times: Times, late: Times, position: int) -> int:
        """Pass over usable readings that change nothing; the next that can matter."""
        if self.deadline is not None:
            end = int(times.searchsorted(self.deadline))
        else:
            coming = int(late.searchsorted(max(position, 1)))
            end = int(late[coming]) if self.armed and coming < late.size else times.size
        if end > position:
            self.heard_ms = max(self.heard_ms, int(times[end - 1]))
        return max(end, position)

    def _step(self, t_ms: int, usable: bool) -> None:
        while (due := self.due()) is not None and due < t_ms:
            self.fire(due)
        if usable:
            self.heard_ms = max(self.heard_ms, t_ms)
            if self.active and self.deadline is None:
                self.start_timer(t_ms, self.rule.off_delay_ms)
        while (due := self.due()) is not None and due <= t_ms:
            self.fire(due)


class LinkLost(Alarm):
    """The collector's link to the broker is down."""

    __slots__ = ("link",)

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger, link: Link) -> None:
        super().__init__(rule, saved, ledger)
        if not self.active:
            self.deadline = None
        self.link = link
        self.link_is(link)

    def link_is(self, link: Link) -> None:
        """The link went up or down, or was found so at the start. What had ended by then ends first."""
        if (due := self.due()) is not None and due <= link.since_ms:
            self.fire(due)
        self.link = link
        if link.up and self.active and self.deadline is None:
            self.start_timer(link.since_ms, self.rule.off_delay_ms)
        elif not link.up and self.active and self.deadline is not None:
            self.stop_timer(link.since_ms)

    def due(self) -> int | None:
        if self.active:
            return self.deadline
        return None if self.link.up else self.link.since_ms + round(self.rule.setpoint) + self.rule.on_delay_ms

    def fire(self, at_ms: int, value: float | None = None) -> None:
        if self.active:
            self.clear(at_ms, None)
        else:
            self.annunciate(at_ms, self.link.since_ms, None)
