"""A small lab, rules and readings for the alarm tests, and strategies that make what happens to them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from hypothesis import strategies as st

from collector.alarms.chunk import SMALL, Flags, Times, Values
from collector.alarms.engine import Engine
from collector.alarms.model import AlarmKey, AlarmState, Event, Kind, Link, Newest, Rule, Transition
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Series
from tests.worlds.rules import BROKER as BROKER
from tests.worlds.rules import HOT as HOT
from tests.worlds.rules import SILENT as SILENT
from tests.worlds.rules import rule as rule
from tests.worlds.strategies import DELAYS_MS, FLAGS, GAPS_MS
from tests.worlds.values import MIN as MIN
from tests.worlds.values import quillbrook as quillbrook
from tests.worlds.values import series as series

NAN = float("nan")
UP = Link(True, 0)


@dataclass
class Run:
    """An engine and what has come of it, with the journal it could be rebuilt from."""

    rules: Sequence[Rule]
    series: Sequence[Series] = field(default_factory=lambda: (series(),))
    link: Link = UP
    states: dict[AlarmKey, AlarmState] = field(default_factory=dict)
    newest: dict[int, Newest] = field(default_factory=dict)
    told: list[Transition] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.engine = self.rebuild()

    def rebuild(self) -> Engine:
        created = {one.id: 0 for one in self.series}
        site = Site(quillbrook(), self.series, created)
        return Engine(self.rules, site, Kept(states=self.states, newest=self.newest), Running(self.link))

    def restart(self) -> None:
        self.commit()
        self.engine = self.rebuild()
        self.told += self.engine.opening(0)

    def commit(self) -> None:
        self.states |= self.engine.changed_states()

    def read(self, t_ms: Iterable[int], value: Iterable[float], flag: Iterable[int] | int = 1, of: int = 1) -> None:
        """Judge what is not late of the readings, as the collector does."""
        t, v, f = arrays(t_ms, value, flag)
        kept = ~self.engine.late_mask(of, t)
        t, v, f = t[kept], v[kept], f[kept]
        self.told += self.engine.judge(of, t, v, f)
        for at, number, how in zip(t.tolist(), v.tolist(), f.tolist(), strict=True):
            usable = how in (1, 2, 3) and np.isfinite(number)
            before = self.newest.get(of, Newest(0))
            self.newest[of] = Newest(at, at, number) if usable else before._replace(t_ms=at)

    def tick(self, now_ms: int) -> None:
        self.told += self.engine.tick(now_ms)

    def set_link(self, up: bool, at_ms: int) -> None:
        self.told += self.engine.link_changed(up, at_ms)
        if up != self.link.up:
            self.link = Link(up, max(at_ms, self.link.since_ms))

    def acknowledge(self, name: str, now_ms: int, place: str = "juniper/top") -> str | None:
        transitions, problem = self.engine.acknowledge(name, place, "teacher", now_ms)
        self.told += transitions
        return problem

    @property
    def events(self) -> list[tuple[Event, int]]:
        return [(one.event, one.t_ms) for one in self.told]

    def brief(self, name: str = "") -> list[str]:
        """What was told, in minutes: 'raised 5'."""
        return [f"{one.event} {one.t_ms / MIN:g}" for one in self.told if not name or one.key.rule == name]

    def in_order(self) -> list[Transition]:
        """What was told, in an order that does not depend on which call told it."""
        return sorted(self.told, key=lambda one: (one.t_ms, one.key.rule, one.key.series, one.event))


def arrays(t_ms: Iterable[int], value: Iterable[float], flag: Iterable[int] | int) -> tuple[Times, Values, Flags]:
    t = np.array(list(t_ms), dtype=np.int64)
    v = np.array(list(value), dtype=np.float64)
    f = np.full(t.size, flag, np.uint8) if isinstance(flag, int) else np.array(list(flag), np.uint8)
    return t, v, f


# ---- strategies --------------------------------------------------------------------------------------------------

VALUES = st.sampled_from([26.9, 27.0, 28.9, 29.0, 29.1, 29.5, 30.0, 30.1, 30.2, 31.0, 33.5, NAN, float("inf"), -0.0])
_READING = st.tuples(GAPS_MS, VALUES, FLAGS)
READINGS = st.lists(_READING, min_size=1, max_size=SMALL) | st.lists(_READING, min_size=SMALL + 1, max_size=120)


@st.composite
def rule_sets(draw: st.DrawFn) -> tuple[Rule, ...]:
    """High, low, silent and broker alarms on one series, with all sorts of deadbands and delays."""
    made = []
    for number, kind in enumerate((Kind.HIGH, Kind.HIGH, Kind.LOW)):
        made.append(
            rule(
                name=f"{kind}-{number}",
                kind=kind,
                setpoint=draw(st.sampled_from([29.0, 30.0, 31.0])),
                deadband=draw(st.sampled_from([0.0, 0.5, 1.0])),
                on_delay_ms=draw(DELAYS_MS),
                off_delay_ms=draw(DELAYS_MS),
            )
        )
    quiet = float(draw(st.sampled_from([4 * MIN, 30 * MIN])))
    made.append(rule(SILENT, setpoint=quiet, on_delay_ms=draw(DELAYS_MS), off_delay_ms=draw(DELAYS_MS)))
    made.append(rule(BROKER, setpoint=2.0 * MIN, on_delay_ms=draw(DELAYS_MS), off_delay_ms=draw(DELAYS_MS)))
    return tuple(made)


@dataclass(frozen=True)
class Happening:
    """Something that comes to a running collector, `gap` after the thing before."""

    what: str
    gap: int
    lag: int
    value: float
    flag: int


HAPPENINGS = st.lists(
    st.builds(
        Happening,
        st.sampled_from(["read"] * 8 + ["tick"] * 3 + ["down", "up"]),
        GAPS_MS,
        st.sampled_from([0, 0, 0, 5, MIN, 10 * MIN]),
        VALUES,
        FLAGS,
    ),
    min_size=1,
    max_size=80,
)
