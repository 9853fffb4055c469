"""Warnings about rules that can be read but may not do what was meant, judged against the lab they are for.

A rule without `where` whose measure no probe of the lab has is not warned of: the shipped sets cover more than any one
lab measures.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

from collector.alarms.contexts import Condition, Fact
from collector.alarms.derived import FEWEST_READINGS
from collector.alarms.forecast import REACH, stretch_ms
from collector.alarms.model import Kind, Rule
from collector.alarms.overdue import is_about
from collector.alarms.places import about_broker, fits, holds_at
from collector.alarms.threshold import direction
from collector.alarms.trend import FEWEST
from collector.domain.lab import Lab, PlaceKind, Probe
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
    if about_broker(rule):
        return
    yield from _where(rule, lab)
    match rule.kind:
        case Kind.SILENT:
            yield from _silence(rule, lab)
        case Kind.HIGH | Kind.LOW:
            yield from (*_reach(rule), *_deadband(rule), *_delay(rule, lab))
        case Kind.FORECAST:
            yield from (*_reach(rule), *_deadband(rule), *_foresight(rule), *_beyond(rule))
        case Kind.RATE | Kind.SUSPECT:
            yield from (*_return(rule), *_window(rule, lab))
        case Kind.DEVIATION | Kind.DISCREPANCY:
            yield from (*_return(rule), *_deadband(rule), *_other(rule, lab), *_delay(rule, lab))
    if _somewhere(rule, lab):
        yield from _never_holds(rule, lab)


def _somewhere(rule: Rule, lab: Lab) -> bool:
    """Whether the rule makes an alarm in this lab."""
    return any(is_about(rule, place) for place in lab.places) if rule.kind is Kind.OVERDUE else bool(_probes(rule, lab))


def _warning(rule: Rule, field: str, message: str) -> Problem:
    file, _, line = rule.source.rpartition(":")
    return Problem(file, int(line) if line.isdigit() else 1, 1, f"alarms.{rule.name}.{field}", message, "warning")


def _where(rule: Rule, lab: Lab) -> Iterator[Problem]:
    places = list(lab.by_id)
    for pattern in rule.where:
        here = [place for place in places if fits(pattern, place)]
        if not here:
            yield _warning(rule, "where", f"'{pattern}' is no place of this lab{_guess(pattern, places)}")
        elif rule.kind is Kind.OVERDUE:
            if not any(is_about(rule, lab.by_id[place]) for place in here):
                yield _warning(rule, "where", f"can never alarm: {rule.what} is nothing that is done at '{pattern}'")
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
    measure, up = MEASURES[rule.measure], direction(rule) > 0
    end = measure.high if up else measure.low
    beyond = "above" if up else "below"
    if rule.setpoint == end:
        yield _warning(rule, "setpoint", f"can never alarm: {measure.label} cannot be {beyond} {end:g} {measure.unit}")
    back = rule.setpoint - rule.deadband if up else rule.setpoint + rule.deadband
    if (up and back <= measure.low) or (not up and back >= measure.high):
        side = "below" if up else "above"
        yield _warning(rule, "deadband", f"can never clear: that takes a value {side} {back:g} {measure.unit}")


def _deadband(rule: Rule) -> Iterator[Problem]:
    measure = MEASURES[rule.measure]
    wide = _WIDE.get(measure.dimension)
    if wide is not None and rule.deadband > wide:
        unit = "degC" if measure.dimension == "temperature" else measure.unit
        yield _warning(rule, "deadband", f"{rule.deadband:g} {unit} is wide; more than {wide:g} {unit} is seldom meant")


def _return(rule: Rule) -> Iterator[Problem]:
    """Setpoints of derived values that can never be left again, or never be passed."""
    if rule.kind is Kind.SUSPECT and rule.setpoint >= 100:
        yield _warning(rule, "setpoint", "can never alarm: no more than 100 % of the readings can be doubtful")
    field = "deadband" if rule.deadband else "setpoint"
    if rule.kind in (Kind.SUSPECT, Kind.DISCREPANCY) and rule.setpoint - rule.deadband <= 0:
        yield _warning(rule, field, "can never clear: that takes less than none")
    elif rule.kind in (Kind.RATE, Kind.DEVIATION) and rule.deadband > abs(rule.setpoint):
        yield _warning(rule, field, "is wider than the setpoint: it clears only once it goes as far the other way")


def _window(rule: Rule, lab: Lab) -> Iterator[Problem]:
    """Windows too short for the readings they need."""
    slowest = max((probe.every_ms for probe, _ in _probes(rule, lab)), default=0)
    fewest = FEWEST_READINGS if rule.kind is Kind.SUSPECT else 2
    if slowest and rule.window_ms < fewest * slowest:
        yield _warning(
            rule,
            "window",
            f"can never alarm: {show_duration(rule.window_ms)} holds fewer than {fewest} readings of a probe that"
            f" reports each {show_duration(slowest)}",
        )


def _foresight(rule: Rule) -> Iterator[Problem]:
    """Trends through too few points, or drawn too far."""
    stretch = stretch_ms(rule.window_ms)
    if rule.window_ms < FEWEST * stretch:
        needed = f"a trend needs {FEWEST} points, one each {show_duration(stretch)}"
        yield _warning(rule, "window", f"can never alarm: {needed}; give {show_duration(FEWEST * stretch)} or more")
    if rule.horizon_ms > REACH * rule.window_ms:
        yield _warning(
            rule,
            "horizon",
            f"{show_duration(rule.horizon_ms)} is far for a window of {show_duration(rule.window_ms)};"
            f" more than {REACH} times the window says little",
        )


def _beyond(rule: Rule) -> Iterator[Problem]:
    """What a forecast waits for and what it foresees, the wrong way round."""
    if rule.beyond is not None and direction(rule) * (rule.setpoint - rule.beyond) <= 0:
        yield _warning(rule, "beyond", "can never alarm: what is beyond this is beyond the setpoint already")


def _other(rule: Rule, lab: Lab) -> Iterator[Problem]:
    """Comparisons that nothing stands on the other side of."""
    covered = _probes(rule, lab)
    if rule.kind is Kind.DEVIATION:
        measure, _, place = rule.against.partition(" at ")
        there = [probe.place for probe in lab.probes if any(c.measure == measure for c in probe.channels)]
        if not covered or not (there or rule.where) or place in there:
            return
        known = place in lab.by_id
        what = f"no probe at '{place}' measures {MEASURES[measure].label}" if known else f"'{place}' is no place here"
        yield _warning(rule, "against", f"can never alarm: {what}{'' if known else _guess(place, lab.by_id)}")
    elif not rule.against and rule.where and covered:
        places = [probe.place for probe, _ in covered]
        if len(places) == len(set(places)):
            yield _warning(rule, "where", "can never alarm: no place there has two probes that measure this")


def _never_holds(rule: Rule, lab: Lab) -> Iterator[Problem]:
    """Conditions that keep the alarm suppressed for good, or never suppress it."""
    for field, conditions in (("only_while", rule.only_while), ("not_while", rule.not_while)):
        for condition in conditions:
            why = _why_never(condition, lab)
            if why and field == "only_while":
                yield _warning(rule, field, f"can never alarm: '{condition}' never holds: {why}")
            elif why:
                yield _warning(rule, field, f"'{condition}' never holds and so suppresses nothing: {why}")
    for condition in rule.only_while:
        if condition in rule.not_while:
            yield _warning(rule, "only_while", f"can never alarm: '{condition}' stands under not_while too")


def _why_never(condition: Condition, lab: Lab) -> str:
    if condition.fact is Fact.LAB_OPEN and (lab.hours is None or not any(lab.hours.week)):
        return "lab.yaml gives no hours"
    if condition.fact is Fact.BREW_RUNNING and not any(place.kind is PlaceKind.BREWER for place in lab.places):
        return "lab.yaml has no brewer"
    return ""


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
