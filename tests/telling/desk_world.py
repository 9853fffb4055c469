"""Quillbrook's alarms and people for the tests of the desk: alarms that live by the table of their states, a journal
that keeps what the real one does, and a desk that can be built anew from it at any moment."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.alarms.lifecycle import after
from collector.alarms.model import STANDING, AlarmKey, AlarmState, Event, Priority, Rule, State, Transition
from collector.domain.hours import Hours, parse_ranges, week_of
from collector.domain.lab import Lab, Person, Series, Telling
from collector.domain.schooldays import SchoolDays
from collector.telling.desk import REMEMBER_MS, Desk
from collector.telling.desk_case import occurrence_of
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Fate, Notice, NoticeKey
from tests.letters.examples import HOT
from tests.worlds import values
from tests.worlds.values import HOUR, MIN, bin_of, series, tray

ZONE = "America/Chicago"
WEEK = week_of({"mon-fri": parse_ranges("07:00-21:00"), "sat-sun": parse_ranges("09:00-20:00")})


def at(month: int, day: int, hour: int, minute: int = 0) -> int:
    """Local time at Quillbrook in 2025, in ms UTC."""
    return round(datetime(2025, month, day, hour, minute, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)


NOON = at(3, 3, 12)
"""A Monday."""
NIGHT = at(3, 3, 22)

TEACHER = Person(role="teacher", email="teacher@quillbrook.example")
CARETAKER = Person(
    role="caretaker", email="caretaker@quillbrook.example", priorities=("high", "medium"), turn=2, digest=False
)
HEAD = Person(role="head", email="head@quillbrook.example", priorities=("high",), turn=3)


def telling(percent: float = 40.0, school: SchoolDays | None = None) -> Telling:
    hours = Hours(week=WEEK, zone=ZONE)
    return Telling(waking=hours if school is None else hours.with_holidays(school, WEEK[6]), pass_on_percent=percent)


def lab(people: Sequence[Person] = (TEACHER,), how: Telling | None = None) -> Lab:
    places = (*bin_of("juniper"), tray("maple/top"))
    return values.lab(places=places, time_zone=ZONE, people=tuple(people), telling=how or telling())


def rule(name: str = "bedding-hot", priority: Priority = Priority.HIGH, respond_ms: int = 4 * HOUR) -> Rule:
    return replace(HOT, name=name, priority=priority, time_to_respond_ms=respond_ms)


MEDIUM = rule("bedding-warm", Priority.MEDIUM, 24 * HOUR)
LOW = rule("bedding-cool", Priority.LOW, 48 * HOUR)


@dataclass
class OneAlarm:
    """An alarm at one series."""

    rule: Rule
    series: Series
    state: State = State.NORMAL
    active: bool = False
    raised_ms: int | None = None
    acked_ms: int | None = None

    @property
    def key(self) -> AlarmKey:
        return AlarmKey(self.rule.name, self.series.id)

    def change(self, event: Event, t_ms: int) -> Transition | None:
        """None where the event means nothing in its state."""
        if event is Event.LATCHED and self.state not in STANDING:
            return None
        if event in (Event.RAISED, Event.CLEARED, Event.LATCHED):
            self.active = event is Event.RAISED
        before, then = self.state, after(self.state, event, self.active)
        if before is then and event is not Event.LATCHED:
            return None
        self.state = then
        if then is State.UNACKNOWLEDGED and event not in (Event.RE_ALARMED, Event.LATCHED):
            self.raised_ms = t_ms
        self.acked_ms = t_ms if event is Event.ACKNOWLEDGED and then is State.ACKNOWLEDGED else self.acked_ms
        if then is not State.ACKNOWLEDGED:
            self.acked_ms = None
        return Transition(
            key=self.key,
            event=event,
            before=before,
            after=then,
            t_ms=t_ms,
            since_ms=self.raised_ms,
            raised_ms=self.raised_ms,
            value=31.5,
        )

    def saved(self) -> AlarmState:
        return AlarmState(
            key=self.key, state=self.state, active=self.active, raised_ms=self.raised_ms, acked_ms=self.acked_ms
        )


@dataclass
class World:
    """`now_ms` moves by `wait`; `kept` is what a journal holds of the notices."""

    lab: Lab
    now_ms: int = NOON
    alarms: dict[AlarmKey, OneAlarm] = field(default_factory=dict)
    kept: dict[NoticeKey, Notice] = field(default_factory=dict)
    plans: list[tuple[int, MessagePlan]] = field(default_factory=list)
    changes: list[tuple[Rule, str, Transition]] = field(default_factory=list)
    rebuilds: bool = False
    """Built anew before each step, as after a crash."""

    def __post_init__(self) -> None:
        self.desk = Desk(self.lab, self.lab.people)
        self.desk.release(self.now_ms)

    def alarm(self, rule: Rule, number: int = 1, place: str = "juniper/top") -> OneAlarm:
        one = OneAlarm(rule, series(number, place=place))
        return self.alarms.setdefault(one.key, one)

    def change(self, one: OneAlarm, event: Event, t_ms: int | None = None) -> None:
        """It happens to the alarm now, or did at `t_ms`."""
        self._maybe_rebuild()
        change = one.change(event, self.now_ms if t_ms is None else t_ms)
        if change is not None:
            self.changes.append((one.rule, one.series.place, change))
            self.desk.take(change, one.rule, one.series, self.now_ms)
            self.kept.update(self.desk.changed())

    def raised(self, rule: Rule, number: int = 1, place: str = "juniper/top") -> OneAlarm:
        one = self.alarm(rule, number, place)
        self.change(one, Event.RAISED)
        return one

    def release(self, gathering: bool = False) -> list[MessagePlan]:
        self._maybe_rebuild()
        plans = self.desk.release(self.now_ms, gathering)
        self.kept.update(self.desk.changed())
        self.plans += [(self.now_ms, plan) for plan in plans]
        return plans

    def wait(self, for_ms: int, step_ms: int = MIN) -> list[MessagePlan]:
        """Let time pass, looking every `step_ms`; what is told meanwhile."""
        told: list[MessagePlan] = []
        until_ms = self.now_ms + for_ms
        while self.now_ms < until_ms:
            self.now_ms = min(until_ms, self.now_ms + step_ms)
            told += self.release()
        return told

    def wait_until(self, t_ms: int, step_ms: int = MIN) -> list[MessagePlan]:
        return self.wait(t_ms - self.now_ms, step_ms)

    def _maybe_rebuild(self) -> None:
        if self.rebuilds:
            self.rebuild()

    def rebuild(self, lab: Lab | None = None) -> None:
        """As a start does, from what the journal gives for it."""
        self.lab = lab or self.lab
        rules = {one.rule.name: one.rule for one in self.alarms.values()}
        places = {one.series.id: one.series for one in self.alarms.values()}
        states = {key: one.saved() for key, one in self.alarms.items()}
        self.desk = Desk(self.lab, self.lab.people)
        self.desk.restore(self._for_a_start(), states, rules, places, self.now_ms)
        self.kept.update(self.desk.changed())

    def _for_a_start(self) -> list[Notice]:
        """As the journal's query: what is open, with what the same person heard of the same; the last hour; all that
        stands."""
        left = {(n.key.role, occurrence_of(n.transition)) for n in self.kept.values() if n.fate in LEFT}
        return [
            one
            for one in self.kept.values()
            if (one.key.role, occurrence_of(one.transition)) in left
            or (one.settled_ms or 0) >= self.now_ms - REMEMBER_MS
            or self._stands(one)
        ]

    def _stands(self, notice: Notice) -> bool:
        state = self.alarms[notice.transition.key].saved()
        return state.state in (*STANDING, State.RETURNED) and state.raised_ms == notice.key.occurrence_ms

    def fates(self, role: str = "teacher") -> list[Fate]:
        return [one.fate for one in self.kept.values() if one.key.role == role]


LEFT = (Fate.WAITING, Fate.DIGEST)
