"""Kinds `high` and `low`: a reading beyond the setpoint. How it is compared stands in
`collector.alarms.kinds.threshold`."""

from collections.abc import Callable, Iterator
from functools import partial

from collector.alarms.kinds import doubts
from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.kind import DELAYS, About, Doubt, RuleKind, Subject, Words
from collector.alarms.kinds.setpoint import VALUE
from collector.alarms.kinds.threshold import Threshold
from collector.alarms.model import Kind, Priority, Rule
from collector.domain.lab import Lab
from collector.domain.units import MEASURES

_LESSER_FIRST = (Priority.LOW, Priority.MEDIUM, Priority.HIGH)
_MEANS = "a value beyond the setpoint"


def _placed(sign: float) -> Callable[[Rule, Ground], None]:
    def place(rule: Rule, ground: Ground) -> None:
        for series in ground.fitting(rule):
            ground.add(Threshold(ground.seat(rule, series.id), sign))

    return place


def _doubts(direction: float, rule: Rule, lab: Lab) -> Iterator[Doubt]:
    yield from doubts.reach(rule, direction)
    yield from doubts.implausible(rule, lab)
    yield from doubts.deadband(rule)
    yield from doubts.delay(rule, lab)


def _in_each_others_way(one: Rule, other: Rule) -> Iterator[Doubt]:
    """A high and a low of one measure, or two of one side."""
    if one.kind is other.kind:
        yield from _out_of_order(one, other)
    elif {one.kind, other.kind} == {Kind.HIGH, Kind.LOW}:
        yield from _overlapping(one, other)


def _out_of_order(one: Rule, other: Rule) -> Iterator[Doubt]:
    """Of two alarms of one side the more urgent is meant to come second, once the early warning was not enough."""
    if one.priority is other.priority or doubts.never_both(one, other):
        return
    early, urgent = sorted((one, other), key=lambda rule: _LESSER_FIRST.index(rule.priority))
    further = urgent.setpoint - early.setpoint if one.kind is Kind.HIGH else early.setpoint - urgent.setpoint
    if further <= 0:
        unit = MEASURES[one.measure].unit
        message = (
            f"{urgent.setpoint:g} {unit} does not come after the early warning '{early.name}' at"
            f" {early.setpoint:g} {unit} ({early.source}): the urgent call is the first that people hear"
        )
        yield _between(urgent, early, "setpoint", message)


def _overlapping(one: Rule, other: Rule) -> Iterator[Doubt]:
    high, low = (one, other) if one.kind is Kind.HIGH else (other, one)
    unit = MEASURES[high.measure].unit
    if high.setpoint <= low.setpoint:
        message = (
            f"high at {high.setpoint:g} {unit} is not above low at {low.setpoint:g} {unit} of '{low.name}'"
            f" ({low.source}): one of them always stands"
        )
        yield _between(high, low, "setpoint", message)
    elif high.setpoint - high.deadband <= low.setpoint:
        yield _overlap(high, low, f"below {high.setpoint - high.deadband:g} {unit}")
    elif low.setpoint + low.deadband >= high.setpoint:
        yield _overlap(low, high, f"above {low.setpoint + low.deadband:g} {unit}")


def _overlap(rule: Rule, other: Rule, clears: str) -> Doubt:
    message = f"clears only {clears}, where '{other.name}' ({other.source}) stands already; make the deadband smaller"
    return _between(rule, other, "deadband", message)


def _between(rule: Rule, other: Rule, field: str, message: str) -> Doubt:
    both = ("setpoint", "deadband", "where", "measure", "kind")
    return Doubt(rule=rule, field=field, message=message, because=both, beside=other, theirs=both)


def _says(beyond: str, switched: str) -> Words:
    def wrong(said: Subject) -> str:
        return f"{said.measure} {switched if said.switch else beyond}"

    return Words(wrong=wrong)


HIGH = RuleKind(
    kind=Kind.HIGH,
    means=_MEANS,
    about=About.LEVEL,
    words=_says("too high", "is on"),
    needs=("measure",),
    takes=("deadband", *DELAYS),
    setpoint=VALUE,
    place=_placed(1.0),
    doubts=partial(_doubts, 1.0),
    doubts_beside=_in_each_others_way,
    clears_with=lambda rule, width: rule.setpoint - width > MEASURES[rule.measure].low,
)
LOW = RuleKind(
    kind=Kind.LOW,
    means=_MEANS,
    about=About.LEVEL,
    words=_says("too low", "is off"),
    needs=("measure",),
    takes=("deadband", *DELAYS),
    setpoint=VALUE,
    direction=lambda rule: -1.0,
    place=_placed(-1.0),
    doubts=partial(_doubts, -1.0),
    doubts_beside=_in_each_others_way,
    clears_with=lambda rule, width: rule.setpoint + width < MEASURES[rule.measure].high,
)
