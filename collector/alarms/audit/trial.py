"""One alarm run over stored readings by the engine, to see when it would have stood.

stage = Stage(lab, stage_series(rule, series, known, lab), readings, contexts)
stands = run(rule, series, stage, until_ms)
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from collector.alarms.chunk import Readings
from collector.alarms.contexts import Contexts
from collector.alarms.engine import Engine
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import STANDING, Link, Rule
from collector.alarms.places import about_broker
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Lab, Series


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """All that one alarm depends on."""

    lab: Lab
    series: tuple[Series, ...]
    """Its own and those it is held against, those without readings (of whole probes and places) too."""
    readings: Mapping[int, Readings]
    """What is stored of them, without what came late."""
    contexts: Contexts | None = None

    @property
    def first_ms(self) -> int | None:
        """Where the readings begin; None where there are none."""
        return min((int(readings.t_ms[0]) for readings in self.readings.values() if readings.t_ms.size), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One time the alarm stood and people were told."""

    since_ms: int
    """Since when its condition was true."""
    raised_ms: int
    ended_ms: int
    cleared: bool
    worst: float | None


def no_trial(rule: Rule) -> str:
    """Why an alarm of this rule cannot be tried on stored readings; empty where it can."""
    if about_broker(rule):
        return "it follows the link to the broker, not readings; look at the broker and the network"
    if kind_of(rule).from_notes(rule):
        return "it follows what people note, not readings alone; no deadband or delay is at fault"
    return ""


def stage_series(rule: Rule, series: Series, known: Sequence[Series], lab: Lab) -> tuple[Series, ...]:
    """The series of `known`, in their order, that an alarm of this rule at this series depends on."""
    wanted = (series, *kind_of(rule).beside(rule, series, known, lab))
    return tuple(series for series in known if series in wanted)


def run(rule: Rule, series: Series, stage: Stage, until_ms: int) -> list[Stand]:
    """Each time the alarm would have stood, starting from normal, with nobody acknowledging or resetting it."""
    first = stage.first_ms
    if first is None:
        return []
    rule = replace(rule, latching=False)
    engine = Engine(
        [rule],
        Site(stage.lab, stage.series, {series.id: first for series in stage.series}),
        Kept(),
        Running(Link(True, first), stage.contexts, first),
    )
    told = engine.judge_all(stage.readings).transitions + engine.tick(until_ms)
    stands: list[Stand] = []
    for change in (change for change in told if change.key.series == series.id):
        if change.annunciates:
            since = change.t_ms if change.since_ms is None else change.since_ms
            stands.append(
                Stand(since_ms=since, raised_ms=change.t_ms, ended_ms=until_ms, cleared=False, worst=change.worst)
            )
        elif change.before in STANDING and change.after not in STANDING:
            stands[-1] = replace(stands[-1], ended_ms=change.t_ms, cleared=True, worst=change.worst)
    return stands
