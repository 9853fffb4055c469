"""One running alarm: its state, its timers, and the record of what changed. What its condition is stands in
`Threshold`, `Silence` and the like.

Alarms are changed in place for speed; what leaves the room (`AlarmState`, `Transition`) is frozen.

Two clocks. Conditions run on the time of the readings; so do the contexts that suppress an alarm or take it out of
service, since replaying the readings must give the same. Shelving, acknowledging and what follows from them
(`people_ms`) happen on people's time and move no clock of a series.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass

from collector.alarms.gates import Gate
from collector.alarms.lifecycle import after, holding
from collector.alarms.model import STANDING, AlarmKey, AlarmState, Event, Outlook, Rule, State, Transition


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """What every alarm is made from: its rule, what is kept of it, where its changes go, and what it heeds."""

    rule: Rule
    saved: AlarmState
    ledger: Ledger
    gate: Gate


class Alarm(ABC):
    """A rule at one series. `deadline` is the timer that runs: on-delay while not active, off-delay while active."""

    __slots__ = (
        "acked",
        "active",
        "away",
        "blocked",
        "cause",
        "changed",
        "deadline",
        "flip",
        "gate",
        "heeded",
        "key",
        "ledger",
        "out_by",
        "queued",
        "raised",
        "reason",
        "rule",
        "shelved_by",
        "shelved_until",
        "since",
        "state",
        "worst",
    )

    def __init__(self, seat: Seat) -> None:
        saved = seat.saved
        self.rule, self.key, self.ledger = seat.rule, saved.key, seat.ledger
        self.ledger.rank[self.key] = len(self.ledger.rank)
        self.state, self.active, self.deadline = saved.state, saved.active, saved.deadline_ms
        self.since, self.raised, self.changed = saved.since_ms, saved.raised_ms, saved.changed_ms
        self.worst, self.acked, self.cause, self.out_by = saved.worst, saved.acked_ms, saved.cause, saved.out_by
        self.shelved_until, self.shelved_by, self.reason = saved.shelved_until_ms, saved.shelved_by, saved.reason
        self.queued: int | None = None
        """Under which time the engine's timer queue holds it."""
        self.follow(seat.gate, saved.changed_ms)

    def saved(self) -> AlarmState:
        """As it is now, for the journal."""
        return AlarmState(
            key=self.key,
            state=self.state,
            active=self.active,
            deadline_ms=self.deadline,
            since_ms=self.since,
            raised_ms=self.raised,
            changed_ms=self.changed,
            worst=self.worst,
            acked_ms=self.acked,
            shelved_until_ms=self.shelved_until,
            shelved_by=self.shelved_by,
            reason=self.reason,
            out_by=self.out_by,
            cause=self.cause,
        )

    # The condition's timers

    @abstractmethod
    def due(self) -> int | None:
        """When a timer of this alarm's condition ends if nothing comes in between."""

    @abstractmethod
    def fire(self, at_ms: int, value: float | None) -> None:
        """That timer has ended, at `due()`. `value`: the last usable one before that."""

    def people_ms(self) -> int | None:
        """When something ends on people's time: a shelving, or the rest that an acknowledgement gives."""
        again = None
        if self.acked is not None and self.active and self.rule.re_alarm_ms is not None:
            again = self.acked + self.rule.re_alarm_ms
        if self.shelved_until is not None and (again is None or self.shelved_until < again):
            return self.shelved_until
        return again

    def next_ms(self) -> int | None:
        """When something next happens by itself."""
        soonest = self.due()
        if self.flip is not None and (soonest is None or self.flip < soonest):
            soonest = self.flip
        people = self.people_ms()
        return people if people is not None and (soonest is None or people < soonest) else soonest

    def end(self, at_ms: int, value: float | None) -> bool:
        """Let happen what was due at `at_ms`; whether that was on the time of the readings."""
        due = self.due()
        if due is not None and due <= at_ms:
            self.fire(due, value)
        elif self.flip is not None and self.flip <= at_ms:
            self.turn(self.flip)
        else:
            self.end_for_people(at_ms)
            return False
        return True

    def pass_until(self, t_ms: int, value: float | None) -> None:
        """Let happen, in its order, all that is due up to then on the time of the readings."""
        while True:
            due, flip = self.due(), self.flip
            soonest = flip if due is None or (flip is not None and flip < due) else due
            if soonest is None or soonest > t_ms:
                return
            self.end(soonest, value)

    def end_for_people(self, at_ms: int) -> None:
        """A shelving or the rest after an acknowledgement is over."""
        if self.shelved_until is not None and self.shelved_until <= at_ms:
            self.unshelve(at_ms, "")
        else:
            self._record(Event.RE_ALARMED, at_ms, None)
            self.touch()

    # Contexts

    def follow(self, gate: Gate, from_ms: int) -> None:
        """From here on heed this gate; what it said up to `from_ms` is known."""
        self.gate = gate
        self.heed(from_ms)

    def heed(self, t_ms: int) -> None:
        """Do as the gate says at `t_ms`."""
        gate = self.gate
        self.heeded: int = t_ms
        """Up to when it has done what the gate said."""
        self.flip: int | None = gate.next_ms(t_ms)
        """When the gate next says something else."""
        self.blocked, self.away = gate.blocked(t_ms), gate.away(t_ms)
        """Why suppressed by design, and whether out of service."""

    def turn(self, t_ms: int) -> None:
        """The gate says something else from now on."""
        self.heed(t_ms)
        self.settle(t_ms)
        self.touch(t_ms)

    def settle(self, t_ms: int, by: str = "", reason: str = "") -> None:
        """Go where what holds this alarm wants it, or leave where nothing holds it any more. `reason`: why it was taken
        out of service."""
        event = holding(
            self.state,
            self.away or bool(self.out_by),
            self.shelved_until is not None,
            bool(self.cause or self.blocked),
        )
        if event is None:
            return
        if after(self.state, event, self.active) is State.UNACKNOWLEDGED:
            self.raised = t_ms
        notes = {Event.SHELVED: self.reason, Event.SUPPRESSED: self.cause or self.blocked, Event.TAKEN_OUT: reason}
        note = notes.get(event, "")
        self._record(event, t_ms, None, by, note, self.shelved_until if event is Event.SHELVED else None)
        self.touch()

    def open(self, now_ms: int) -> None:
        """At a start: follow what the rule and the contexts have become since the state was stored."""
        if self.state in STANDING and not self.active and not self.rule.latching:
            self._record(Event.CLEARED, now_ms, None)
            self.since = self.worst = None
            self.touch()
        self.settle(now_ms)

    # What changes

    def touch(self, t_ms: int | None = None) -> None:
        """Note that the state must be written; `t_ms` where a reading or a timer changed it."""
        if t_ms is not None:
            self.changed = t_ms
        self.ledger.touched[self.key] = self

    def start_timer(self, t_ms: int, delay_ms: int) -> None:
        """Let an on-delay or off-delay run from now."""
        self.deadline = t_ms + delay_ms
        self.touch(t_ms)

    def stop_timer(self, t_ms: int) -> None:
        """The condition has come or gone in between."""
        self.deadline = None
        self.touch(t_ms)

    @property
    def latched(self) -> bool:
        """It stands although its condition has gone."""
        return self.rule.latching and not self.active and self.state in STANDING

    def annunciate(self, t_ms: int, since_ms: int | None, value: float | None) -> None:
        """The condition has outlasted its on-delay."""
        event = Event.RAISED
        if self.latched:
            event = Event.RE_ALARMED if self.state is State.ACKNOWLEDGED else Event.RAISED
        else:
            self.raised = t_ms
        self.active, self.deadline, self.since = True, None, since_ms
        self._record(event, t_ms, value)
        self.touch(t_ms)

    def clear(self, t_ms: int, value: float | None) -> None:
        """The condition has stayed away for its off-delay."""
        self.active, self.deadline = False, None
        latches = self.latched
        self._record(Event.LATCHED if latches else Event.CLEARED, t_ms, value)
        if not latches:
            self.since = self.worst = None
        self.touch(t_ms)

    @property
    def waits_for_someone(self) -> bool:
        """Whether acknowledging changes anything."""
        return self.latched or after(self.state, Event.ACKNOWLEDGED, self.active) is not self.state

    def acknowledge(self, now_ms: int, by: str) -> None:
        """Someone has seen it and sees to it; a latched alarm is reset."""
        if self.latched:
            self._record(Event.RESET, now_ms, None, by)
            self.since = self.worst = None
        else:
            self._record(Event.ACKNOWLEDGED, now_ms, None, by)
            self.acked = now_ms if self.state is State.ACKNOWLEDGED else None
        self.touch()

    def shelve(self, now_ms: int, until_ms: int, reason: str, by: str) -> None:
        """Nobody is told of it until then."""
        again = self.state is State.SHELVED
        self.shelved_until, self.reason, self.shelved_by = until_ms, reason, by
        if again:
            self._record(Event.SHELVED, now_ms, None, by, reason, until_ms)
        self.settle(now_ms, by)
        self.touch()

    def unshelve(self, t_ms: int, by: str) -> None:
        """People are told of it again."""
        self.shelved_until, self.reason, self.shelved_by = None, "", ""
        self.settle(t_ms, by)
        self.touch()

    def set_service(self, now_ms: int, out_by: str, by: str, reason: str = "") -> None:
        """Out of service by a command of `out_by`, or in service again where that is empty."""
        self.out_by = out_by
        self.settle(now_ms, by, reason)
        self.touch()

    def outlook(self, t_ms: int) -> Outlook | None:
        """What a forecast saw at that time."""
        return None

    def _record(
        self, event: Event, t_ms: int, value: float | None, by: str = "", note: str = "", until_ms: int | None = None
    ) -> None:
        before, self.state = self.state, after(self.state, event, self.active)
        if self.state is not State.ACKNOWLEDGED:
            self.acked = None
        self.ledger.transitions.append(
            Transition(
                key=self.key,
                event=event,
                before=before,
                after=self.state,
                t_ms=t_ms,
                since_ms=self.since,
                raised_ms=self.raised,
                value=value,
                worst=self.worst,
                by=by,
                note=note,
                until_ms=until_ms,
                outlook=self.outlook(t_ms),
            )
        )
