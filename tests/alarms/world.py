"""A lab with several probes, its alarms of every kind, and a journal: lived through, restarted, and replayed.

`World` is a collector without its shells. What is judged is kept with what it was marked as, so that `replay` can do
what a replay of the journal does: the same rows in the order of their times, in chunks of any size.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from hypothesis import strategies as st

from collector.alarms.building import memory_ms
from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts, parse_condition
from collector.alarms.engine import Engine
from collector.alarms.kinds.habit import Gap
from collector.alarms.model import (
    OUT_OF_BEDDING,
    SQUEEZE_TEST,
    AlarmKey,
    AlarmState,
    Kind,
    Link,
    Newest,
    Rule,
    Transition,
    What,
)
from collector.alarms.start import BEFORE_ALL, Kept, Running, Site
from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel
from collector.domain.lab import Lab, Series
from collector.domain.readings import Flag
from tests.alarms.bench_lab import BROKER, HOT, MIN, SILENT, UP, rule
from tests.alarms.world_lab import READ, SERIES, lab
from tests.worlds.strategies import DELAYS_MS, FLAGS, GAPS_MS, LAGS_MS

Row = tuple[int, float, int]
"""Time, value, flag."""
END = 10**12
LAG = 5_000
"""The collector lets timers end so far behind the clock."""


@dataclass
class World:
    """See the module."""

    rules: Sequence[Rule]
    link: Link = UP
    lab: Lab = field(default_factory=lab)
    series: Sequence[Series] = SERIES
    rows: dict[int, list[tuple[int, float, int, bool]]] = field(default_factory=dict)
    states: dict[AlarmKey, AlarmState] = field(default_factory=dict)
    newest: dict[int, Newest] = field(default_factory=dict)
    habits: Mapping[AlarmKey, Sequence[Gap]] = field(default_factory=dict)
    entries: list[DiaryEntry] = field(default_factory=list)
    brews: list[Brew] = field(default_factory=list)
    told: list[Transition] = field(default_factory=list)
    number: int = 0

    def __post_init__(self) -> None:
        self.engine = self.build()
        self.told += self.engine.opening(0)

    @property
    def contexts(self) -> Contexts:
        return Contexts(self.lab, self.entries, self.brews)

    def build(self, start_ms: int = BEFORE_ALL) -> Engine:
        memory = memory_ms(self.rules, self.lab)
        recent = {number: self._recent(rows, memory) for number, rows in self.rows.items()}
        return Engine(
            self.rules,
            Site(self.lab, self.series, {one.id: 0 for one in self.series}),
            Kept(states=self.states, newest=self.newest, recent=recent, habits=self.habits),
            Running(self.link, self.contexts, start_ms),
        )

    def _recent(self, rows: list[tuple[int, float, int, bool]], memory: int) -> Readings:
        """As much of a series as a restart is given."""
        return readings([row for row in rows if row[0] >= rows[-1][0] - memory])

    def restart(self, start_ms: int = BEFORE_ALL) -> None:
        self.states |= self.engine.changed_states()
        self.habits = self.engine.changed_habits() or self.habits
        self.engine = self.build(start_ms)
        self.told += self.engine.opening(0)

    def read(self, batch: dict[int, list[Row]], now_ms: int = END) -> None:
        """Judge together what is not late of the readings of several series."""
        given: dict[int, Readings] = {}
        for number, rows in batch.items():
            one = readings([(*row, False) for row in sorted(rows, key=lambda row: row[0])])
            kept = ~self.engine.late_mask(number, one.t_ms)
            if kept.any():
                out = None if one.out is None else one.out[kept]
                given[number] = Readings(one.t_ms[kept], one.value[kept], one.flags[kept], out=out)
        judged = self.engine.judge_all(given, now_ms)
        self.told += judged.transitions
        for number, one in given.items():
            unseen = judged.unseen.get(number, np.zeros(one.t_ms.size, bool))
            self._keep(number, one, unseen.tolist())

    def _keep(self, number: int, one: Readings, unseen: list[bool]) -> None:
        for t, value, flag, mark in zip(one.t_ms.tolist(), one.value.tolist(), one.flags.tolist(), unseen, strict=True):
            self.rows.setdefault(number, []).append((t, value, flag, mark))
            usable = flag in (1, 2, 3) and np.isfinite(value)
            before = self.newest.get(number, Newest(0))
            heard = Newest(t, t, value) if usable else before._replace(t_ms=t)
            self.newest[number] = heard._replace(usable_ms=t) if is_out(value, flag) else heard

    def say(self, number: int, t_ms: int, value: float, flag: int = 1) -> None:
        self.read({number: [(t_ms, value, flag)]})

    def tick(self, now_ms: int) -> None:
        self.told += self.engine.tick(now_ms)

    def set_link(self, up: bool, at_ms: int) -> None:
        self.told += self.engine.link_changed(up, at_ms)
        if up != self.link.up:
            self.link = Link(up, max(at_ms, self.link.since_ms))

    def note(
        self, kind: DiaryKind, place: str, now_ms: int, result: Feel | None = None, t_ms: int | None = None
    ) -> int:
        """Take up a diary entry; from when it counts."""
        self.number += 1
        taken_ms = max(now_ms, self.engine.newest_ms() + 1)
        done_ms = now_ms if t_ms is None else t_ms
        self.entries.append(
            DiaryEntry(
                id=self.number,
                t_ms=done_ms,
                taken_ms=taken_ms,
                place=place,
                kind=kind,
                amount=None,
                result=result,
                by="class 4b",
            )
        )
        self.told += self.engine.contexts_changed(self.contexts, taken_ms)
        return taken_ms

    def brew(self, now_ms: int, end: bool = False) -> None:
        """Start or end the brew in Kettle."""
        taken_ms = max(now_ms, self.engine.newest_ms() + 1)
        if end:
            self.brews[-1] = replace(
                self.brews[-1], ended_ms=now_ms, air_stopped_ms=now_ms, ended_taken_ms=taken_ms, ended_by="teacher"
            )
        else:
            self.number += 1
            self.brews.append(
                Brew(
                    id=self.number,
                    place="kettle",
                    started_ms=now_ms,
                    air_stopped_ms=None,
                    ended_ms=None,
                    taken_ms=taken_ms,
                    by="teacher",
                )
            )
        self.told += self.engine.contexts_changed(self.contexts, taken_ms)

    def replay(self, cuts: Iterable[int]) -> list[Transition]:
        """What the kept rows give, judged anew in the order of their times, cut into chunks at these times."""
        again = World(self.rules, lab=self.lab, series=self.series, entries=self.entries, brews=self.brews)
        edges = sorted({*cuts, END})
        start = BEFORE_ALL
        for end in edges:
            batch = {n: [row for row in rows if start <= row[0] < end] for n, rows in self.rows.items()}
            given = {n: readings(rows) for n, rows in batch.items() if rows}
            again.told += again.engine.judge_all(given).transitions
            again.tick(end - 1)
            start = end
        return again.in_order()

    def in_order(self) -> list[Transition]:
        """What was told, in an order that does not depend on which call told it; of one alarm as it came."""
        return sorted(self.told, key=lambda one: (one.t_ms, one.key.rule, one.key.series))

    def brief(self, name: str = "") -> list[str]:
        """What was told and to what it led: 'raised 5 unacknowledged @juniper/top'."""
        place = {one.id: one.place for one in self.series} | {0: "broker"}
        return [
            f"{one.event} {one.t_ms / MIN:g} {one.after} @{place[one.key.series]}"
            for one in self.told
            if not name or one.key.rule == name
        ]

    def calls(self, name: str = "") -> list[str]:
        """When people were called: '5 @juniper/top'."""
        place = {one.id: one.place for one in self.series} | {0: "broker"}
        return [
            f"{one.t_ms / MIN:g} @{place[one.key.series]}"
            for one in self.told
            if one.annunciates and (not name or one.key.rule == name)
        ]

    def state(self, name: str, number: int) -> AlarmState:
        return self.engine.states()[AlarmKey(name, number)]


def readings(rows: Sequence[tuple[int, float, int, bool]]) -> Readings:
    t, value, flag, unseen = zip(*rows, strict=True) if rows else ((), (), (), ())
    out = np.array([is_out(*one) for one in zip(value, flag, strict=True)], np.bool_)
    return Readings(
        np.array(t, np.int64),
        np.array(value, np.float64),
        np.array(flag, np.uint8),
        np.array(unseen, np.bool_),
        out if out.any() else None,
    )


def is_out(value: float, flag: int) -> bool:
    """Moisture that failed stands for a probe out of its bedding; no other series reads so much."""
    return flag == Flag.FAIL and value >= 50


# ---- rules -------------------------------------------------------------------------------------------------------

DEVIATION = rule(HOT, name="apart", kind=Kind.DEVIATION, setpoint=5.0, against="air_temperature at room")
RATE = rule(HOT, name="rising", kind=Kind.RATE, setpoint=6.0, deadband=1.0, window_ms=10 * MIN)
SUSPECT = rule(HOT, name="doubtful", kind=Kind.SUSPECT, measure="", setpoint=30.0, deadband=10.0, window_ms=10 * MIN)
LIFTED = rule(SUSPECT, name="lifted", measure="bedding_moisture", counts=OUT_OF_BEDDING)
FALLING = rule(RATE, name="falling", measure="bedding_moisture", setpoint=-30.0, deadband=5.0)
DRY = rule(HOT, name="dry", kind=Kind.LOW, measure="bedding_moisture", setpoint=66.0, deadband=5.0)
PROBES = rule(HOT, name="disagree", kind=Kind.DISCREPANCY, setpoint=2.0, deadband=0.5)
SQUEEZE = rule(
    HOT,
    name="squeezed",
    kind=Kind.DISCREPANCY,
    measure="bedding_moisture",
    setpoint=0.0,
    deadband=0.0,
    against=SQUEEZE_TEST,
)
DRYING = rule(
    HOT,
    name="drying",
    kind=Kind.FORECAST,
    measure="bedding_moisture",
    setpoint=60.0,
    deadband=1.0,
    window_ms=300 * MIN,
    horizon_ms=600 * MIN,
    toward="low",
)
UNWATERED = rule(HOT, name="unwatered", kind=Kind.OVERDUE, measure="", setpoint=60.0 * MIN, what=What.WATERING.value)
IN_SERVICE, LAB_OPEN, BREWING = (parse_condition(text) for text in ("tray in service", "lab open", "brew running"))
WATERED = parse_condition("watered within 10 min")


@st.composite
def every_kind(draw: st.DrawFn) -> tuple[Rule, ...]:
    """An alarm of each kind, with delays, contexts and the like."""
    made = []
    silent = rule(SILENT, setpoint=4.0 * MIN, at_most_ms=draw(st.sampled_from([0, 40 * MIN])))
    for one in (HOT, DRY, DEVIATION, RATE, FALLING, SUSPECT, LIFTED, PROBES, SQUEEZE, silent, UNWATERED):
        delays = (0, 0) if one.kind is Kind.OVERDUE else (draw(DELAYS_MS), draw(DELAYS_MS))
        conditions = draw(st.sampled_from([((), ()), ((), ()), ((), (WATERED,)), ((BREWING,), ()), ((), (BREWING,))]))
        made.append(
            rule(
                one,
                on_delay_ms=delays[0],
                off_delay_ms=delays[1],
                only_while=conditions[0],
                not_while=conditions[1],
                latching=draw(st.sampled_from([False, False, True])),
                re_alarm_ms=draw(st.sampled_from([None, 2 * MIN])),
                beyond=draw(st.sampled_from([None, 29.0])) if one is DEVIATION else None,
            )
        )
    made.append(rule(BROKER, setpoint=2.0 * MIN, off_delay_ms=draw(DELAYS_MS)))
    return tuple(made)


# ---- what happens ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Happening:
    """Something that comes to a collector, `gap` after the thing before."""

    what: str
    gap: int
    series: int
    lag: int
    step: int
    flag: int


VALUES = {
    "bedding_temperature": (20.0, 22.5, 24.0, 26.0, 29.0, 30.5, 33.0),
    "bedding_moisture": (50.0, 62.0, 70.0, 78.0, 86.0, 92.0, 65.0),
    "air_temperature": (18.0, 20.0, 21.0, 22.0, 23.0, 25.0, 28.0),
}
READS = ["read"] * 14
HEARD = [*READS, "settle", "settle", "settle", "tick", "tick"]
NOTED = ["water", "squeeze", "out", "in", "brew", "end brew"]
ORDERED = ["acknowledge", "shelve", "unshelve", "probe out", "probe in"]


def happenings(what: Sequence[str], most: int = 80) -> st.SearchStrategy[list[Happening]]:
    one = st.builds(
        Happening,
        st.sampled_from(what),
        GAPS_MS,
        st.sampled_from(READ),
        LAGS_MS,
        st.integers(0, 6),
        FLAGS,
    )
    return st.lists(one, min_size=1, max_size=most)


def live(
    world: World, came: Sequence[Happening], stops: frozenset[int] | set[int] = frozenset(), *, restart: bool = False
) -> int:
    """Play what happens, the wall clock going on and readings lagging behind; when it ended. At `stops` what has come
    is judged at once, and where `restart` is set all is built anew."""
    now, batch = 20 * MIN, dict[int, list[Row]]()
    measures = {one.id: one.measure for one in world.series}
    for number, one in enumerate(came):
        now += one.gap
        if one.what == "read":
            value = VALUES[measures[one.series]][one.step]
            batch.setdefault(one.series, []).append((now - one.lag, value, one.flag))
        elif one.what == "settle":
            world.read(batch)
            batch = {}
        else:
            world.read(batch)
            batch = {}
            _happen(world, one, now)
        if number in stops:
            world.read(batch)
            batch = {}
            if restart:
                world.restart()
    world.read(batch)
    world.tick(END)
    return now


def _happen(world: World, one: Happening, now: int) -> None:
    match one.what:
        case "tick":
            world.tick(now - LAG)
        case "up" | "down":
            world.set_link(one.what == "up", now)
        case what if what in ORDERED:
            _order(world, one, now)
        case _:
            _note(world, one, now)


def _note(world: World, one: Happening, now: int) -> None:
    match one.what:
        case "water":
            world.note(DiaryKind.WATERED, "juniper", now)
        case "squeeze":
            world.note(DiaryKind.SQUEEZE, "juniper/top", now, list(Feel)[one.step % 3])
        case "out":
            world.note(DiaryKind.OUT_OF_SERVICE, "juniper/top", now)
        case "in":
            world.note(DiaryKind.IN_SERVICE, "juniper/top", now)
        case _:
            running = bool(world.brews) and world.brews[-1].ended_ms is None
            if running is (one.what == "end brew"):
                world.brew(now, end=running)


def _order(world: World, one: Happening, now: int) -> None:
    name = world.rules[one.step % len(world.rules)].name
    place = next(series.place for series in world.series if series.id == one.series)
    match one.what:
        case "acknowledge":
            told, _ = world.engine.acknowledge(name, place, "teacher", now)
        case "shelve":
            told, _ = world.engine.shelve(name, place, now + (one.step + 1) * MIN, "known", "teacher", now)
        case "unshelve":
            told, _ = world.engine.unshelve(name, place, "teacher", now)
        case _:
            told, _ = world.engine.set_service("jt", one.what == "probe in", "maintainer", now)
    world.told += told
