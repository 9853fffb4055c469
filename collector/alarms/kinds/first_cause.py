"""First cause: of things that are silent together, one alarm stands.

    a channel of a probe that is alive         its own alarm
    all channels of a probe                    one alarm, for the probe
    all probes of a bin, two at least          one alarm, for the bin
    the link to the broker                     one alarm, for the link

Which it is cannot be seen at the first one that falls silent, but its neighbours tell: one that was heard within its
last two reporting intervals is alive. If a neighbour is alive when a silence is due, it is raised for itself; if none
is, it waits for the silence of all, which is due when the last of them would be.

When a cause is raised, what stands below it goes to suppressed, with the cause named. When the cause ends, what is
heard again is normal; what is still silent two reporting intervals after the first sign of life (after a loss of the
link: after its own whole setpoint) speaks for itself.

A silence of several series is decided on the readings of all of them, and these may come out of order between series.
What is remembered is the latest time each was heard, which does not depend on the order; and when something fires,
when several series give their first sign of life, or when one speaks again whose silence was due and waited for its
neighbours, the clocks of all series in the tree go to that time, so that what is older and still on its way is late for
all. So live running, replay and restarts agree here too.

A reading from a clock that runs ahead is held until its time has come: a probe that is five minutes ahead says nothing
of the next five minutes of its neighbours, nor of what the link will do in them.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol

import numpy as np

from collector.alarms.chunk import Times
from collector.alarms.kinds.alarm import Alarm, Seat
from collector.alarms.kinds.silence import NEVER, Silence
from collector.alarms.model import Link


class Clock(Protocol):
    """A series with its clock."""

    clock_ms: int
    judged_ms: int

    def move(self, t_ms: int) -> None:
        """Move the clock on, and let happen what was due on the series up to then."""


class _Arrivals:
    """Usable readings of one series on their way into a tree. `least_ms`: how long its silences last at least."""

    __slots__ = ("at", "chain", "gaps", "leaf", "least_ms", "times")

    def __init__(self, leaf: Silence, times: Times, least_ms: int) -> None:
        self.leaf, self.times, self.at, self.least_ms = leaf, times, 0, least_ms
        self.chain = list(_chain(leaf))
        after = np.maximum(times[:-1], leaf.floor_ms) + least_ms < times[1:]
        self.gaps = np.flatnonzero(after)

    def next_ms(self) -> int:
        return int(self.times[self.at]) if self.at < self.times.size else NEVER

    def silent_ms(self) -> int:
        """Before this the series is not silent for long enough, with what is still to come."""
        silent_ms = self.leaf.base_ms + self.least_ms
        if self.next_ms() > silent_ms:
            return silent_ms
        gap = int(self.gaps.searchsorted(self.at))
        last = self.gaps[gap] if gap < self.gaps.size else -1
        return max(int(self.times[last]), self.leaf.floor_ms) + self.least_ms

    def hear_until(self, t_ms: int) -> int | None:
        """Take in what comes up to then; when it was the first sign of life of several series, or of one whose silence
        waited for what its neighbours say, if it was that."""
        end = int(self.times.searchsorted(t_ms, "right"))
        if end == self.at:
            return None
        come, self.at = self.times[self.at : end], end
        first, last = int(come[0]), int(come[-1])
        waited = any(silence.waits_at(first) for silence in self.chain)
        if self.leaf.habit is not None:
            self.leaf.habit.note(come)
        if waited:
            self.leaf.touch(first)  # the clocks go there, and nothing else would bring that back after a restart
        began = [silence for silence in self.chain if silence.hear(first, last)]
        return first if waited or any(silence.children for silence in began) else None


def _chain(silence: Silence) -> Iterator[Silence]:
    """The silence and those above it."""
    above: Silence | None = silence
    while above is not None:
        yield above
        above = above.parent


def _below(silence: Silence) -> Iterator[Silence]:
    for child in silence.children:
        yield child
        yield from _below(child)


class Tree:
    """The silences of one rule that are decided together: of a bin, of a probe, or of a single series."""

    def __init__(self, top: Silence, clocks: Sequence[Clock]) -> None:
        self.silences = [top, *_below(top)]
        self._least_ms = min(silence.least_ms for silence in self.silences if not silence.children)
        self.clocks = clocks
        self.lost = ""
        """The alarm of the link to the broker, while it stands."""
        self.held: dict[Silence, Times] = {}
        """Usable readings of the present's future."""
        self.queued: int | None = None
        self.quiet_until_ms = -NEVER
        """Before this nothing happens, whatever is heard of series that are not on alert."""
        self._coming: Mapping[Silence, _Arrivals] = {}

    def next_ms(self) -> int | None:
        """When something next happens if nothing is heard."""
        found = [silence.next_ms() for silence in self.silences] + [int(times[0]) for times in self.held.values()]
        return min((ms for ms in found if ms is not None), default=None)

    def clock_ms(self) -> int:
        """The newest of the clocks of its series."""
        return max(clock.clock_ms for clock in self.clocks)

    def run(self, until_ms: int, heard: Mapping[Silence, Times] | None = None) -> None:
        """Let happen what is heard and what is due, in the order of its times. `heard`: silence of one series -> the
        times (ms, strictly increasing, after those held) of its usable readings. What is later than `until_ms` is
        held."""
        for leaf, times in (heard or {}).items():
            self.hold(leaf, times)
        self._coming = {leaf: _Arrivals(leaf, times, self._least_ms) for leaf, times in self.held.items()}
        done_ms = -NEVER
        while (at_ms := min(self._step_ms(silence, done_ms) for silence in self.silences)) <= until_ms:
            self._hear_until(at_ms)
            done_ms = max(done_ms, at_ms)
            self._fire(at_ms)
        self._hear_until(until_ms)
        self.held = {leaf: one.times[one.at :] for leaf, one in self._coming.items() if one.at < one.times.size}
        self._coming = {}
        self.look_out(max(done_ms, until_ms))

    def hold(self, leaf: Silence, times: Times) -> None:
        """Usable readings of one series, after those held of it, are there to be heard when their time comes."""
        if times.size:
            self.held[leaf] = np.concatenate((self.held[leaf], times)) if leaf in self.held else times

    def look_out(self, done_ms: int) -> None:
        """Note what may be passed over from now on."""
        self.quiet_until_ms = min(self._step_ms(silence, done_ms) for silence in self.silences)
        for silence in self.silences:
            silence.alert = False
        for silence in self.silences:
            if silence.active or silence.deadline is not None:
                self._alert(silence)
            if not silence.active and silence.parent is not None and silence.own_ms <= done_ms:
                self._alert(silence.parent)

    def _alert(self, silence: Silence) -> None:
        silence.alert = True
        for below in _below(silence):
            below.alert = True

    def _hear_until(self, t_ms: int) -> None:
        for arrivals in self._coming.values():
            first_ms = arrivals.hear_until(t_ms)
            if first_ms is not None:
                self.move_clocks(first_ms)

    def _step_ms(self, silence: Silence, done_ms: int) -> int:
        """When to look at a silence next: no later than something happens to it."""
        step_ms = NEVER if silence.flip is None else silence.flip
        if silence.active:
            if silence.deadline is not None:
                step_ms = min(step_ms, silence.deadline)
            return step_ms if silence.heard_since else min(step_ms, self._next_heard_ms(silence))
        if not silence.armed or silence.cover() is not None:
            return step_ms
        own_ms = max(self._silent_ms(silence), silence.own_ms)
        if own_ms <= done_ms and silence.parent is not None:
            due = silence.due()
            return min(step_ms, self._next_heard_ms(silence.parent), NEVER if due is None else due)
        return min(step_ms, own_ms)

    def _silent_ms(self, silence: Silence) -> int:
        """Before this the silence cannot have lasted long enough, however soon its series are missed."""
        if silence.children:
            return max(self._silent_ms(child) for child in silence.children)
        arrivals = self._coming.get(silence)
        return silence.base_ms + self._least_ms if arrivals is None else arrivals.silent_ms()

    def _next_heard_ms(self, silence: Silence) -> int:
        if silence.children:
            return min(self._next_heard_ms(child) for child in silence.children)
        arrivals = self._coming.get(silence)
        return NEVER if arrivals is None else arrivals.next_ms()

    def _fire(self, at_ms: int) -> None:
        for silence in self.silences:
            while (due_ms := silence.due()) is not None and due_ms <= at_ms:
                self._end(silence, due_ms)
            if silence.flip is not None and silence.flip <= at_ms:
                self.move_clocks(silence.flip)
                silence.turn(silence.flip)

    def end_for_people(self, at_ms: int) -> None:
        """What is due on people's time moves no clock."""
        for silence in self.silences:
            while (people_ms := silence.people_ms()) is not None and people_ms <= at_ms:
                silence.end_for_people(people_ms)

    def _end(self, silence: Silence, at_ms: int) -> None:
        was = silence.active
        silence.fire(at_ms)
        self.move_clocks(at_ms)
        if silence.active and not was:
            for below in _below(silence):
                if below.active:
                    below.absorb(at_ms, _name(silence))
        elif was and not silence.active:
            self._cleared(silence, at_ms)

    def _cleared(self, silence: Silence, at_ms: int) -> None:
        first_ms = at_ms - silence.rule.off_delay_ms
        back_ms = max(at_ms, first_ms + 2 * silence.every_ms)
        if silence.cause and not self._cause(silence):
            silence.release(at_ms)
        for below in _below(silence):
            cause = self._cause(below)
            if below.active and cause:
                below.cause = cause
                below.touch()
            elif below.active and not below.heard_since:
                below.wait(back_ms)
            elif not below.active and below.cause and not cause:
                below.release(at_ms)
            elif not below.active and below.own_ms < back_ms:
                below.wait(back_ms)

    def _cause(self, silence: Silence) -> str:
        cover = silence.cover()
        return self.lost if cover is None else _name(cover)

    def move_clocks(self, t_ms: int) -> None:
        """What is older and still on its way is late from now on, for all its series."""
        for clock in self.clocks:
            clock.move(t_ms)

    # The link to the broker

    def link_is(self, link: Link) -> None:
        """The link went up or down, or was found so at the start."""
        for silence in self.silences:
            silence.link_is(link)
        self.look_out(self.clock_ms())

    def lose_link(self, at_ms: int, cause: str) -> None:
        """The alarm of the link has been raised: it stands for all silences."""
        self.run(at_ms)
        self.lost = cause
        for silence in self.silences:
            if silence.active:
                self.move_clocks(at_ms)
                silence.absorb(at_ms, self._cause(silence))
        self.look_out(at_ms)

    def regain_link(self, at_ms: int) -> None:
        """The alarm of the link has cleared."""
        self.run(at_ms)
        self.lost = ""
        for silence in self.silences:
            if not silence.cause or self._cause(silence):
                continue
            if not silence.active:
                self.move_clocks(at_ms)
                silence.release(at_ms)
            elif not silence.heard_since:
                silence.wait(max(at_ms, silence.floor_ms + silence.reach_ms(silence.floor_ms)))
        self.look_out(at_ms)


def _name(silence: Silence) -> str:
    return f"{silence.rule.name} at {silence.gate.place}"


class LinkLost(Alarm):
    """The collector's link to the broker is down."""

    __slots__ = ("link", "trees")

    def __init__(self, seat: Seat, link: Link, trees: Sequence[Tree]) -> None:
        super().__init__(seat)
        if not self.active:
            self.deadline = None
        self.link, self.trees = link, trees

    def stand_again(self) -> None:
        """At a start, when all trees are there: where it stood it stands for them still."""
        for tree in self.trees if self.active else ():
            tree.lost = self._name

    @property
    def _name(self) -> str:
        return f"{self.rule.name} at {self.gate.place}"

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
            for tree in self.trees:
                tree.regain_link(at_ms)
        else:
            self.annunciate(at_ms, self.link.since_ms, None)
            for tree in self.trees:
                tree.lose_link(at_ms, self._name)
