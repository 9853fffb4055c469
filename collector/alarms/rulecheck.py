"""Warnings about rules that can be read but may not do what was meant, judged against the lab they are for.

A rule without `where` whose measure no probe of the lab has is not warned of: the shipped sets cover more than any one
lab measures.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

from collector.alarms.model import Kind, Rule
from collector.alarms.places import BROKER, about_broker, fits, holds_at
from collector.domain.lab import Lab, Probe
from collector.domain.problems import Problem, nearest
from collector.domain.units import MEASURES, show_duration

_WIDE = {"temperature": 10.0, "percent": 20.0, "humidity": 20.0, "oxygen": 3.0, "voltage": 0.5}
"""Deadbands wider than this are more likely a slip than a wish (common practice, no source)."""


def rule_warnings(rules: Sequence[Rule], lab: Lab) -> tuple[Problem, ...]:
    """All warnings, in the order of the rules' places in their files."""
    found = [warning for rule in rules for warning in _one(rule, lab)]
    found += [warning for one, other in combinations(rules, 2) for warning in _pair(one, other, lab)]
    return tuple(sorted(found))


def _one(rule: Rule, lab: Lab) -> Iterator[Problem]:
    yield from _where(rule, lab)
    if rule.kind in (Kind.HIGH, Kind.LOW):
        yield from _reach(rule)
        yield from _deadband(rule)
        yield from _delay(rule, lab)
    elif not about_broker(rule):
        yield from _silence(rule, lab)


def _warning(rule: Rule, field: str, message: str) -> Problem:
    file, _, line = rule.source.rpartition(":")
    return Problem(file, int(line) if line.isdigit() else 1, 1, f"alarms.{rule.name}.{field}", message, "warning")


def _where(rule: Rule, lab: Lab) -> Iterator[Problem]:
    places = list(lab.by_id)
    for pattern in rule.where:
        if pattern == BROKER:
            continue
        here = [place for place in places if fits(pattern, place)]
        if not here:
            yield _warning(rule, "where", f"'{pattern}' is no place of this lab{_guess(pattern, places)}")
        elif _measured(rule, lab) and not any(probe.place in here for probe, _ in _probes(rule, lab)):
            what = MEASURES[rule.measure].label if rule.measure else "anything"
            yield _warning(rule, "where", f"no probe at '{pattern}' measures {what}{_trays(pattern, places)}")


def _measured(rule: Rule, lab: Lab) -> bool:
    """Whether the lab measures this at all: sets that ship speak of more than every lab has."""
    return not rule.measure or any(c.measure == rule.measure for probe in lab.probes for c in probe.channels)


def _guess(pattern: str, places: Iterable[str]) -> str:
    guess = nearest(pattern, places)
    return f"; did you mean '{guess}'?" if guess else ""


def _trays(pattern: str, places: Iterable[str]) -> str:
    return f"; its trays are '{pattern}/*'" if any(fits(f"{pattern}/*", place) for place in places) else ""


def _probes(rule: Rule, lab: Lab) -> list[tuple[Probe, str]]:
    """The probes, with the measure, that make an alarm of this rule."""
    return [
        (probe, channel.measure)
        for probe in lab.probes
        for channel in probe.channels
        if holds_at(rule, channel.measure, probe.place)
    ]


def _reach(rule: Rule) -> Iterator[Problem]:
    """Setpoints that can never be passed, or never be left again."""
    measure = MEASURES[rule.measure]
    end = measure.high if rule.kind is Kind.HIGH else measure.low
    beyond = "above" if rule.kind is Kind.HIGH else "below"
    if rule.setpoint == end:
        yield _warning(rule, "setpoint", f"can never alarm: {measure.label} cannot be {beyond} {end:g} {measure.unit}")
    back = rule.setpoint - rule.deadband if rule.kind is Kind.HIGH else rule.setpoint + rule.deadband
    if (rule.kind is Kind.HIGH and back <= measure.low) or (rule.kind is Kind.LOW and back >= measure.high):
        side = "below" if rule.kind is Kind.HIGH else "above"
        yield _warning(rule, "deadband", f"can never clear: that takes a value {side} {back:g} {measure.unit}")


def _deadband(rule: Rule) -> Iterator[Problem]:
    measure = MEASURES[rule.measure]
    wide = _WIDE.get(measure.dimension)
    if wide is not None and rule.deadband > wide:
        unit = "degC" if measure.dimension == "temperature" else measure.unit
        yield _warning(rule, "deadband", f"{rule.deadband:g} {unit} is wide; more than {wide:g} {unit} is seldom meant")


def _delay(rule: Rule, lab: Lab) -> Iterator[Problem]:
    slowest = max((probe.every_ms for probe, _ in _probes(rule, lab)), default=0)
    if rule.on_delay_ms < 2 * slowest:
        yield _warning(
            rule,
            "on_delay",
            f"{show_duration(rule.on_delay_ms)} is under two reporting intervals ({show_duration(2 * slowest)}):"
            " one odd reading can raise it",
        )


def _silence(rule: Rule, lab: Lab) -> Iterator[Problem]:
    slowest = max((probe.every_ms for probe, _ in _probes(rule, lab)), default=0)
    after_ms = round(rule.setpoint) + rule.on_delay_ms
    if after_ms < 2 * slowest:
        yield _warning(
            rule,
            "setpoint",
            f"{show_duration(after_ms)} is under two reporting intervals ({show_duration(2 * slowest)}):"
            " one lost reading raises it",
        )


def _pair(one: Rule, other: Rule, lab: Lab) -> Iterator[Problem]:
    """A high and a low of one measure that get in each other's way."""
    if {one.kind, other.kind} != {Kind.HIGH, Kind.LOW} or one.measure != other.measure or not _meet(one, other, lab):
        return
    high, low = (one, other) if one.kind is Kind.HIGH else (other, one)
    unit = MEASURES[high.measure].unit
    if high.setpoint <= low.setpoint:
        yield _warning(
            high,
            "setpoint",
            f"high at {high.setpoint:g} {unit} is not above low at {low.setpoint:g} {unit} of '{low.name}'"
            f" ({low.source}): one of them always stands",
        )
    elif high.setpoint - high.deadband <= low.setpoint:
        yield _overlap(high, low, f"below {high.setpoint - high.deadband:g} {unit}")
    elif low.setpoint + low.deadband >= high.setpoint:
        yield _overlap(low, high, f"above {low.setpoint + low.deadband:g} {unit}")


def _overlap(rule: Rule, other: Rule, clears: str) -> Problem:
    message = f"clears only {clears}, where '{other.name}' ({other.source}) stands already; make the deadband smaller"
    return _warning(rule, "deadband", message)


def _meet(one: Rule, other: Rule, lab: Lab) -> bool:
    """Whether both hold at some place, as far as the lab and the patterns tell."""
    if not one.where or not other.where:
        return True
    both = [place for place in lab.by_id if any(fits(pattern, place) for pattern in one.where)]
    return any(fits(pattern, place) for pattern in other.where for place in both)
