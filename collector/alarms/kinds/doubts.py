"""What may be wrong with a rule that can be read, as several kinds ask it of their rules and the lab they are for."""

from collections.abc import Iterable, Iterator

from collector.alarms.kinds.kind import Doubt
from collector.alarms.model import Rule
from collector.alarms.places import holds_at
from collector.domain.lab import Lab, Probe
from collector.domain.problems import nearest
from collector.domain.units import MEASURES, show_duration

_WIDE = {"temperature": 10.0, "percent": 20.0, "humidity": 20.0, "oxygen": 3.0, "voltage": 0.5}
"""Deadbands wider than this are more likely a slip than a wish (common practice, no source)."""
_SIDE = ("measure", "kind", "toward")
"""Fields that say how far a setpoint can be, and on which side of it is alarm."""


def probes(rule: Rule, lab: Lab) -> list[Probe]:
    """The probes that make an alarm of this rule, once for each measure that does."""
    return [probe for probe in lab.probes for channel in probe.channels if holds_at(rule, channel.measure, probe.place)]


def slowest_ms(rule: Rule, lab: Lab) -> int:
    """The longest reporting interval among these; 0 where there are none."""
    return max((probe.every_ms for probe in probes(rule, lab)), default=0)


def guess(word: str, known: Iterable[str]) -> str:
    """What was likely meant, to stand at the end of a message."""
    found = nearest(word, known)
    return f"; did you mean '{found}'?" if found else ""


def reach(rule: Rule, direction: float) -> Iterator[Doubt]:
    """Setpoints that can never be passed, or never be left again."""
    measure, up = MEASURES[rule.measure], direction > 0
    end = measure.high if up else measure.low
    beyond = "above" if up else "below"
    if rule.setpoint == end:
        message = f"can never alarm: {measure.label} cannot be {beyond} {end:g} {measure.unit}"
        yield Doubt(rule=rule, field="setpoint", message=message, because=_SIDE)
    back = rule.setpoint - rule.deadband if up else rule.setpoint + rule.deadband
    if (up and back <= measure.low) or (not up and back >= measure.high):
        side = "below" if up else "above"
        message = f"can never clear: that takes a value {side} {back:g} {measure.unit}"
        yield Doubt(rule=rule, field="deadband", message=message, because=("setpoint", *_SIDE))


def deadband(rule: Rule) -> Iterator[Doubt]:
    """Deadbands of a size that is seldom meant."""
    measure = MEASURES[rule.measure]
    wide = _WIDE.get(measure.dimension)
    if wide is not None and rule.deadband > wide:
        unit = "degC" if measure.dimension == "temperature" else measure.unit
        message = f"{rule.deadband:g} {unit} is wide; more than {wide:g} {unit} is seldom meant"
        yield Doubt(rule=rule, field="deadband", message=message, because=("measure",))


def delay(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    """On-delays that one odd reading outlasts."""
    slowest = slowest_ms(rule, lab)
    if rule.on_delay_ms < 2 * slowest:
        message = (
            f"{show_duration(rule.on_delay_ms)} is under two reporting intervals ({show_duration(2 * slowest)}):"
            " one odd reading can raise it"
        )
        yield Doubt(rule=rule, field="on_delay", message=message, because=("where", "measure"))


def less_than_none(rule: Rule) -> Iterator[Doubt]:
    """Amounts that are never negative and would have to be, to clear."""
    if rule.setpoint - rule.deadband <= 0:
        yield _no_way_back(rule, "can never clear: that takes less than none")


def other_way(rule: Rule) -> Iterator[Doubt]:
    """Deadbands that reach past zero."""
    if rule.deadband > abs(rule.setpoint):
        yield _no_way_back(rule, "is wider than the setpoint: it clears only once it goes as far the other way")


def _no_way_back(rule: Rule, message: str) -> Doubt:
    field = "deadband" if rule.deadband else "setpoint"
    return Doubt(rule=rule, field=field, message=message, because=("setpoint", "kind"))


def window(rule: Rule, lab: Lab, fewest: int) -> Iterator[Doubt]:
    """Windows too short for the readings they need."""
    slowest = slowest_ms(rule, lab)
    if slowest and rule.window_ms < fewest * slowest:
        message = (
            f"can never alarm: {show_duration(rule.window_ms)} holds fewer than {fewest} readings of a probe that"
            f" reports each {show_duration(slowest)}"
        )
        yield Doubt(rule=rule, field="window", message=message, because=("where", "measure", "kind"))
