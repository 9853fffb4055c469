"""Condition `silent`: nothing usable from a probe, or no link to the broker, for as long as the setpoint says.

    baseline = the latest of: last usable reading, link to the broker came up, series created
    raises     at baseline + setpoint + on-delay, unless a usable reading comes until then; later for a series that is
               often silent, where the rule says `at_most` (`collector.alarms.kinds.habit`)
    clears     off-delay after the next usable reading

While the link is down probes cannot be heard, so their silence says nothing: those alarms wait, and the alarm for the
link itself (`where: broker`) counts from the moment the link went down.

When a silent alarm is due follows from the baseline, so that readings that come in on time write nothing. An off-delay
is shorter than the setpoint (rule files that say otherwise are refused), so it cannot outlast the next silence.

A silence at one series is a `Silence`; those of a probe and of a bin stand over it and share its arithmetic with the
latest reading of all below them. Which of them speaks is for `collector.alarms.kinds.first_cause`.
"""

from collector.alarms.kinds.alarm import Alarm, Seat
from collector.alarms.kinds.habit import Habit
from collector.alarms.model import Link

NEVER = 2**62


class Silence(Alarm):
    """A series, a probe or a bin from which nothing usable comes."""

    __slots__ = (
        "alert",
        "armed",
        "children",
        "created_ms",
        "every_ms",
        "floor_ms",
        "habit",
        "heard_ms",
        "least_ms",
        "parent",
    )

    def __init__(
        self, seat: Seat, heard_ms: int | None, created_ms: int, every_ms: int, habit: Habit | None = None
    ) -> None:
        super().__init__(seat)
        self.habit = habit
        self.least_ms = round(self.rule.setpoint) + self.rule.on_delay_ms if habit is None else habit.least_ms
        self.created_ms = self.floor_ms = created_ms
        self.heard_ms = created_ms if heard_ms is None else heard_ms
        self.every_ms = every_ms
        self.armed = False
        self.alert = False
        """Whether its readings mean more at present than that it is heard."""
        self.parent: Silence | None = None
        self.children: list[Silence] = []
        if self.heard_since and self.deadline is None:  # what was heard was ahead when the last run ended
            self.deadline = self.heard_ms + self.rule.off_delay_ms

    def link_is(self, link: Link) -> None:
        """The link went up or down, or was found so at the start."""
        self.armed = link.up
        self.floor_ms = max(self.created_ms, link.since_ms)

    @property
    def base_ms(self) -> int:
        """From when it has been silent."""
        return max(self.heard_ms, self.floor_ms)

    def reach_ms(self, from_ms: int) -> int:
        """How long a silence that begins then must last. Of several series the one decides that is soonest missed, of
        those that were not silent themselves by then."""
        if self.habit is not None:
            return self.habit.reach_ms(from_ms)
        heard = [child for child in self.children if child.heard_ms + child.reach_ms(child.heard_ms) > from_ms]
        return min((child.reach_ms(from_ms) for child in heard or self.children), default=self.least_ms)

    @property
    def own_ms(self) -> int:
        """When it has been silent for long enough. While not active, `deadline` is a time to wait for beyond that,
        because what stood for it has only just ended."""
        own = self.base_ms + self.reach_ms(self.base_ms)
        return own if self.active or self.deadline is None else max(own, self.deadline)

    def cover(self) -> "Silence | None":
        """The nearest silence above this one that stands."""
        above = self.parent
        while above is not None and not above.active:
            above = above.parent
        return above

    def due(self) -> int | None:
        if self.active:
            return self.deadline
        if not self.armed or self.cover() is not None:
            return None
        if self.parent is None:
            return self.own_ms
        return max(self.own_ms, self.parent.heard_ms) if self._siblings_alive_ms() > self.own_ms else None

    def waits_at(self, t_ms: int) -> bool:
        """Whether it has been silent for long enough, and what its neighbours say decides whether it is raised."""
        return (
            self.parent is not None and self.armed and not self.active and self.own_ms < t_ms and self.cover() is None
        )

    def _siblings_alive_ms(self) -> int:
        beside = self.parent.children if self.parent is not None else ()
        return max((other.alive_until_ms() for other in beside if other is not self), default=-NEVER)

    def alive_until_ms(self) -> int:
        """Until when it counts as alive: two reporting intervals after it was last heard."""
        if not self.children:
            return self.heard_ms + 2 * self.every_ms
        return max(child.alive_until_ms() for child in self.children)

    @property
    def heard_since(self) -> bool:
        """Whether something usable has come since it was raised."""
        return self.since is not None and self.heard_ms > self.since

    def hear(self, first_ms: int, last_ms: int) -> bool:
        """Usable readings have come, from the first to the last of these times; whether an off-delay began so."""
        begins = self.active and not self.heard_since
        self.heard_ms = max(self.heard_ms, last_ms)
        if begins:
            self.deadline = first_ms + self.rule.off_delay_ms
            self.touch(first_ms if self.children else None)
        elif not self.active and self.deadline is not None:
            self.deadline = None
            self.touch()
        return begins

    def fire(self, at_ms: int, value: float | None = None) -> None:
        if not self.active:
            self.annunciate(at_ms, self.base_ms, None)
        elif self.heard_since:
            self.clear(at_ms, None)
        else:
            self.release(at_ms)

    def absorb(self, t_ms: int, cause: str) -> None:
        """Another alarm stands for this one."""
        if not self.heard_since:
            self.deadline = None
        self.cause = cause
        self.settle(t_ms)
        self.touch(t_ms)

    def release(self, t_ms: int) -> None:
        """Nothing stands for it any more: what it is itself decides. No timer of its own runs then: it has fired, or
        is not active."""
        self.deadline, self.cause = None, ""
        self.settle(t_ms)
        self.touch(t_ms)

    def wait(self, until_ms: int) -> None:
        """What stood for it has ended. It speaks for itself from then on, unless it is heard."""
        self.deadline = until_ms
        self.touch()
