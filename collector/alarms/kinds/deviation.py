"""Kind `deviation`: a reading too far from that of another series, on the side that the setpoint says."""

from collections.abc import Iterator, Sequence

import numpy as np

from collector.alarms.chunk import Flags, Readings, Times, Values
from collector.alarms.kinds import doubts
from collector.alarms.kinds.derived import doubt
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import DELAYS, About, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.reference import Compared, memory_ms
from collector.alarms.kinds.setpoint import SIDE
from collector.alarms.model import Kind, Rule
from collector.alarms.places import is_pattern
from collector.domain.lab import Lab, Series
from collector.domain.problems import nearest
from collector.domain.units import MEASURES, Measure


def _direction(rule: Rule) -> float:
    return -1.0 if rule.setpoint < 0 else 1.0


class Deviation(Compared):
    """Reading less reference."""

    __slots__ = ()

    def derive(self, readings: Readings) -> tuple[Times, Values, Flags]:
        return readings.t_ms, self._where_it_matters(readings.value, self._apart(readings)), doubt(readings.flags)

    def _where_it_matters(self, value: Values, apart: Values) -> Values:
        """Where the reading itself is not beyond what the rule says, the difference counts for no more than it would if
        that were where the setpoint stands: so the deadband holds for both, and neither chatters."""
        bound = self.rule.beyond
        if bound is None:
            return apart
        past = self.sign * (value - bound)
        return np.where(past > 0, apart, self.sign * np.minimum(self.sign * apart, self.setpoint + past))


def _beside(rule: Rule, series: Series, known: Sequence[Series], lab: Lab) -> list[Series]:
    """The first in the lab file that measures what is asked for where it is asked for."""
    other = _against(rule, known)
    return [] if other is None or other.id == series.id else [other]


def _against(rule: Rule, known: Sequence[Series]) -> Series | None:
    measure, _, place = rule.against.partition(" at ")
    return next((other for other in known if (other.measure, other.place) == (measure, place)), None)


def _place(rule: Rule, ground: Ground) -> None:
    other = _against(rule, ground.series)
    if other is None:
        return
    for series in [one for one in ground.fitting(rule) if one.id != other.id]:
        seat = ground.seat(rule, series.id)
        ground.add(Deviation(seat, _direction(rule), ground.reference(other, series)))


def _other_series(given: object, measure: Measure | None) -> str:
    name, _, place = given.partition(" at ") if isinstance(given, str) else ("", "", "")
    name, place = name.strip(), place.strip()
    if not place or "*" in place or not is_pattern(place):
        raise ValueError(f"{given!r} is not a measure at one place; write it like 'air_temperature at room'")
    if name not in MEASURES:
        guess = nearest(name, MEASURES)
        right = f"did you mean '{guess} at {place}'?" if guess else f"use one of {', '.join(MEASURES)}"
        raise ValueError(f"'{name}' is not a measure; {right}")
    if measure is not None and measure.dimension != MEASURES[name].dimension:
        raise ValueError(f"{MEASURES[name].label} cannot be compared with {measure.label}")
    return f"{name} at {place}"


def _doubts(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    yield from doubts.other_way(rule)
    yield from doubts.deadband(rule)
    yield from doubts.delay(rule, lab)
    yield from _no_other(rule, lab)


def _no_other(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    """Comparisons that nothing stands on the other side of."""
    measure, _, place = rule.against.partition(" at ")
    there = [probe.place for probe in lab.probes if any(c.measure == measure for c in probe.channels)]
    if not doubts.probes(rule, lab) or not (there or rule.where) or place in there:
        return
    if place in lab.by_id:
        what = f"no probe at '{place}' measures {MEASURES[measure].label}"
    else:
        what = f"'{place}' is no place here{doubts.guess(place, lab.by_id)}"
    message = f"can never alarm: {what}"
    yield Doubt(rule=rule, field="against", message=message, because=("where", "measure"))


def other_label(rule: Rule) -> tuple[str, str]:
    """What a rule is held against: the label of the measure, and the place."""
    measure, _, place = rule.against.partition(" at ")
    return MEASURES[measure].label if measure in MEASURES else measure, place


def _too_far(said: Subject) -> str:
    label, place = other_label(said.rule)
    known = said.lab.by_id.get(place)
    at = said.line(known.label if known is not None else place)
    other = f"{label} ({at})" if place != said.series.place else label
    return f"too far {'above' if _direction(said.rule) > 0 else 'below'} {other}"


DEVIATION = RuleKind(
    kind=Kind.DEVIATION,
    means="too far from another series",
    about=About.GAP,
    words=Words(
        wrong=lambda said: f"{said.measure} {_too_far(said)}",
        right_again=lambda said: f"{said.measure} no longer {_too_far(said)}",
        figure="Apart by",
    ),
    needs=("measure", "against"),
    takes=("beyond", "deadband", *DELAYS),
    setpoint=SIDE,
    quantity_only=True,
    against=_other_series,
    against_means="the other series, a measure at a place",
    direction=_direction,
    place=_place,
    memory_ms=memory_ms,
    beside=_beside,
    doubts=_doubts,
    clears_with=lambda rule, width: width < abs(rule.setpoint),
)
