"""Kind `discrepancy`: two that should agree do not: two probes of one place, or a probe and the squeeze test."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from collector.alarms.chunk import Flags, Readings, Times, Values
from collector.alarms.gates import Gate
from collector.alarms.kinds import doubts
from collector.alarms.kinds.alarm import Seat
from collector.alarms.kinds.derived import HOUR_MS, Derived, doubt, usable
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import DELAYS, About, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.reference import Compared, memory_ms
from collector.alarms.kinds.setpoint import DIFFERENCE
from collector.alarms.model import SQUEEZE_TEST, Band, Kind, Rule
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.lab import Lab, Series
from collector.domain.squeeze import PROBE_BANDS
from collector.domain.units import Measure

SQUEEZE_HOLDS_MS = 12 * HOUR_MS
"""A squeeze test says nothing about the bedding of the next day."""
SQUEEZE_BANDS = tuple(Band(feel, low, high) for feel, (low, high) in PROBE_BANDS.items())
"""Where the rule gives no bands of its own."""


class Apart(Compared):
    """How far two probes are apart."""

    __slots__ = ()

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        return readings.t_ms, np.abs(self._apart(readings)), doubt(readings.flags)


class Squeezed(Derived):
    """How far the probe is outside the band of the last squeeze test: 0 inside, not told where none holds. Water given
    or drained ends what a squeeze test says."""

    __slots__ = ("_bands", "_moments")

    def __init__(self, seat: Seat) -> None:
        super().__init__(seat)
        self._bands = {band.feel: band for band in self.rule.bands or SQUEEZE_BANDS}

    def follow(self, gate: Gate, from_ms: int) -> None:
        super().follow(gate, from_ms)
        found = gate.contexts.changes(gate.place)
        self._moments = np.array(sorted({*found, *(ms + 1 for ms in self._ends(found))}), np.int64)
        """When what a squeeze test says may be otherwise."""

    def _last(self, kind: DiaryKind, t_ms: int) -> DiaryEntry | None:
        return self.gate.contexts.last(kind, self.gate.place, t_ms)

    def _ends(self, changes: Sequence[int]) -> list[int]:
        tests = (self._last(DiaryKind.SQUEEZE, ms) for ms in changes)
        return [test.t_ms + SQUEEZE_HOLDS_MS for test in tests if test is not None]

    def _band(self, t_ms: int) -> Band | None:
        test = self._last(DiaryKind.SQUEEZE, t_ms)
        if test is None or test.result is None or t_ms - test.t_ms > SQUEEZE_HOLDS_MS:
            return None
        for kind in (DiaryKind.WATERED, DiaryKind.DRAINED):
            water = self._last(kind, t_ms)
            if water is not None and water.t_ms >= test.t_ms:
                return None
        return self._bands.get(test.result)

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        t_ms, value = readings.t_ms, readings.value
        outside = np.full(t_ms.size, np.nan)
        told = usable(readings)
        cuts = [0, *np.unique(t_ms.searchsorted(self._moments)).tolist(), t_ms.size]
        for start, end in pairwise(cuts):
            band = self._band(int(t_ms[start])) if start < end else None
            if band is not None:
                part = slice(start, end)
                beyond = np.maximum(np.maximum(band.low - value[part], value[part] - band.high), 0.0)
                outside[part] = np.where(told[part], beyond, np.nan)
        return t_ms, outside, doubt(readings.flags)


def _beside(rule: Rule, series: Series, known: Sequence[Series], lab: Lab) -> list[Series]:
    """Of two probes of one place the one whose id sorts later has the alarm, wherever they stand in the file."""
    if rule.against == SQUEEZE_TEST:
        return []
    same = (other for other in known if (other.measure, other.place) == (series.measure, series.place))
    found = sorted(same, key=lambda other: (other.probe, other.channel))[:1]
    return [other for other in found if other.id != series.id]


def _place(rule: Rule, ground: Ground) -> None:
    for series in ground.fitting(rule):
        if rule.against == SQUEEZE_TEST:
            ground.add(Squeezed(ground.seat(rule, series.id)))
        for other in _beside(rule, series, ground.series, ground.lab):
            ground.add(Apart(ground.seat(rule, series.id), 1.0, ground.reference(other, series)))


def _squeeze_test(given: object, measure: Measure | None) -> str:
    if given != SQUEEZE_TEST:
        raise ValueError(f"{given!r} is not '{SQUEEZE_TEST}'; leave the key out to compare two probes of one place")
    if measure is not None and measure.name != "bedding_moisture":
        raise ValueError(f"a squeeze test says nothing about {measure.label}; it is about bedding_moisture")
    return SQUEEZE_TEST


def _doubts(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    yield from doubts.less_than_none(rule)
    yield from doubts.deadband(rule)
    yield from doubts.delay(rule, lab)
    places = [probe.place for probe in doubts.probes(rule, lab)]
    if not rule.against and rule.where and places and len(places) == len(set(places)):
        message = "can never alarm: no place there has two probes that measure this"
        yield Doubt(rule=rule, field="where", message=message, because=("kind", "against", "measure"))


def other_probe(lab: Lab, series: Series) -> str:
    """The probe that an alarm at this series is held against; empty where the lab has none."""
    beside = (probe for probe in lab.probes if probe.place == series.place)
    found = [probe.id for probe in beside if any(channel.measure == series.measure for channel in probe.channels)]
    return min((name for name in found if name != series.probe), default="")


def _two(said: Subject) -> str:
    if said.rule.against == SQUEEZE_TEST:
        return "probe and squeeze test"
    other = other_probe(said.lab, said.series)
    return f"probes {said.line(other)} and {said.line(said.series.probe)}" if other else "two probes"


DISCREPANCY = RuleKind(
    kind=Kind.DISCREPANCY,
    means="two that should agree",
    about=About.PROBE,
    words=Words(
        wrong=lambda said: f"{_two(said)} disagree about {said.measure}",
        right_again=lambda said: f"{_two(said)} agree about {said.measure} again",
        figure="Apart by",
    ),
    needs=("measure",),
    takes=("against", "bands", "deadband", *DELAYS),
    setpoint=DIFFERENCE,
    quantity_only=True,
    against=_squeeze_test,
    against_means="'squeeze test', or left out for another probe of the place",
    place=_place,
    memory_ms=memory_ms,
    beside=_beside,
    from_notes=lambda rule: rule.against == SQUEEZE_TEST,
    doubts=_doubts,
)
