"""What may be wrong with a rule that can be read, as several kinds ask it of their rules and the lab they are for."""

from collections.abc import Iterable, Iterator

from collector.alarms.kinds.kind import Doubt
from collector.alarms.kinds.setpoint import Setpoint
from collector.alarms.model import Rule
from collector.alarms.places import holds_at
from collector.domain.lab import Lab, Probe
from collector.domain.probe_models import plausible
from collector.domain.problems import nearest
from collector.domain.units import MEASURES, show_duration, show_value

_WIDE = {"temperature": 10.0, "percent": 20.0, "humidity": 20.0, "oxygen": 3.0, "voltage": 0.5}
"""Deadbands wider than this are more likely a slip than a wish (common practice, no source)."""
_FAR = {"temperature": 5.0, "percent": 10.0, "humidity": 15.0, "oxygen": 1.5, "voltage": 0.5}
"""Further from the setpoint that ships than this is past what sources disagree about (common practice, no source)."""
_MANY = 4
"""A time, a rate or a share more than so many times what ships lets pass what it was made for (common practice)."""
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


def implausible(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    """Setpoints that nothing in a sound lab ever reaches, or that everything is beyond."""
    measure = MEASURES[rule.measure]
    low, high = plausible(rule.measure)
    if measure.low < rule.setpoint < measure.high and not low <= rule.setpoint <= high:
        value, least, most = (show_value(rule.measure, number, lab.us_units) for number in (rule.setpoint, low, high))
        message = f"{value} is nothing that {measure.label} is in a lab; plausible is {least} to {most}"
        yield Doubt(rule=rule, field="setpoint", message=message, because=("measure",))


def too_late(rule: Rule) -> Iterator[Doubt]:
    """On-delays that use up the time there is to act."""
    if rule.on_delay_ms >= rule.time_to_respond_ms:
        message = (
            f"{show_duration(rule.on_delay_ms)} is no shorter than the time to respond"
            f" ({show_duration(rule.time_to_respond_ms)}): people are told when it may be too late"
        )
        yield Doubt(rule=rule, field="on_delay", message=message, because=("time_to_respond",))


def far_from(rule: Rule, shipped: Rule, setpoint: Setpoint, direction: float, lab: Lab) -> Iterator[Doubt]:
    """Setpoints far from the one that ships with its reasons; `direction`: 1.0 where it alarms above.

    Values both ways, since too early calls in vain; a time, rate or share only where it lets much more pass.
    """
    if setpoint.of_measure and not setpoint.signed and rule.measure:
        later = direction * (rule.setpoint - shipped.setpoint)
        far = abs(later) > _FAR.get(MEASURES[rule.measure].dimension, float("inf"))
    else:
        later = abs(rule.setpoint) - _MANY * abs(shipped.setpoint)
        far = later > 0
    if far:
        new, old = (setpoint.show(rule.measure, version.setpoint, lab.us_units) for version in (rule, shipped))
        when = "later" if later > 0 else "earlier"
        message = f"{new} is far from the {old} that ships: it calls much {when} than its basis says"
        yield Doubt(rule=rule, field="setpoint", message=message)


def never_both(one: Rule, other: Rule) -> bool:
    """Whether what lets the one speak keeps the other silent."""
    return any(
        condition in silenced.not_while
        for speaking, silenced in ((one, other), (other, one))
        for condition in speaking.only_while
    )


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
