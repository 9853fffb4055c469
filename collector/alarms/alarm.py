"""One running alarm: its state, its timer, and the record of what changed. What its condition is stands in `condition`.

Alarms are changed in place for speed; what leaves the room (`AlarmState`, `Transition`) is frozen.
"""

from abc import ABC, abstractmethod

from collector.alarms.chunk import Large, Small
from collector.alarms.lifecycle import after
from collector.alarms.model import AlarmKey, AlarmState, Event, Rule, Transition


class Ledger:
    """What happened since it was last emptied: shared by all alarms of an engine."""

    __slots__ = ("rank", "touched", "transitions")

    def __init__(self) -> None:
        self.rank: dict[AlarmKey, int] = {}
        self.transitions: list[Transition] = []
        self.touched: dict[AlarmKey, Alarm] = {}

    def take(self) -> list[Transition]:
        """The transitions so far, in time order; those of one moment in the order of the rules."""
        taken, self.transitions = self.transitions, []
        if len(taken) > 1:
            taken.sort(key=lambda transition: (transition.t_ms, self.rank[transition.key]))
        return taken


class Alarm(ABC):
    """A rule at one series. `deadline` is the timer that runs: on-delay while not active, off-delay while active."""

    __slots__ = (
        "active",
        "changed",
        "deadline",
        "key",
        "ledger",
        "queued",
        "raised",
        "rule",
        "since",
        "state",
        "worst",
    )

    def __init__(self, rule: Rule, saved: AlarmState, ledger: Ledger) -> None:
        self.rule, self.key, self.ledger = rule, saved.key, ledger
        ledger.rank[self.key] = len(ledger.rank)
        self.state, self.active, self.deadline = saved.state, saved.active, saved.deadline_ms
        self.since, self.raised, self.changed, self.worst = (
            saved.since_ms,
            saved.raised_ms,
            saved.changed_ms,
            saved.worst,
        )
        self.queued: int | None = None
        """Under which time the engine's timer queue holds it."""

    def saved(self) -> AlarmState:
        return AlarmState(
            self.key, self.state, self.active, self.deadline, self.since, self.raised, self.changed, self.worst
        )

    @abstractmethod
    def due(self) -> int | None:
        """When a timer of this alarm ends if nothing comes in between."""

    @abstractmethod
    def fire(self, at_ms: int, value: float | None) -> None:
        """The timer has ended, at `due()`. `value`: the last usable one before that."""

    def touch(self, t_ms: int | None = None) -> None:
        """Note that the state must be written; `t_ms` where a reading or a timer changed it."""
        if t_ms is not None:
            self.changed = t_ms
        self.ledger.touched[self.key] = self

    def start_timer(self, t_ms: int, delay_ms: int) -> None:
        self.deadline = t_ms + delay_ms
        self.touch(t_ms)

    def stop_timer(self, t_ms: int) -> None:
        self.deadline = None
        self.touch(t_ms)

    def annunciate(self, t_ms: int, since_ms: int | None, value: float | None) -> None:
        """The condition has outlasted its on-delay."""
        self.active, self.deadline, self.since, self.raised = True, None, since_ms, t_ms
        self._record(Event.RAISED, t_ms, value)
        self.touch(t_ms)

    def clear(self, t_ms: int, value: float | None) -> None:
        """The condition has stayed away for its off-delay."""
        self.active, self.deadline = False, None
        self._record(Event.CLEARED, t_ms, value)
        self.since = self.worst = None
        self.touch(t_ms)

    def acknowledge(self, now_ms: int, by: str) -> None:
        self._record(Event.ACKNOWLEDGED, now_ms, None, by)
        self.touch()

    def _record(self, event: Event, t_ms: int, value: float | None, by: str = "") -> None:
        before, self.state = self.state, after(self.state, event, self.active)
        self.ledger.transitions.append(
            Transition(
                self.key, event, before, self.state, t_ms, self.since, self.raised, value, worst=self.worst, by=by
            )
        )


class SeriesAlarm(Alarm):
    """An alarm that readings of its series move."""

    __slots__ = ()

    @abstractmethod
    def untouched_by(self, chunk: Small | Large) -> bool:
        """Whether nothing in the chunk can change what this alarm does: asked first, and cheap."""

    def judge(self, chunk: Small | Large, value: float | None) -> None:
        """Take in the readings. `value`: the last usable one before the chunk."""
        if isinstance(chunk, Small):
            self.walk(chunk, value)
        else:
            self.scan(chunk, value)

    @abstractmethod
    def walk(self, chunk: Small, value: float | None) -> None:
        """Look at each reading in turn."""

    @abstractmethod
    def scan(self, chunk: Large, value: float | None) -> None:
        """As `walk`, going from one reading that matters to the next."""
