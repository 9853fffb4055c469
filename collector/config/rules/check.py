"""Doubts about rules that can be read but may not do what was meant, judged against the lab they are for.

What is particular to a kind its description says (`collector.alarms.kinds`); here stands what holds for every rule. A
rule that ships and whose measure no probe of the lab has is not warned of: the shipped sets cover more than any one
lab measures. What a lab says of a rule itself it means for what it has.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations

from collector.alarms.contexts import Condition, Fact
from collector.alarms.kinds import doubts
from collector.alarms.kinds.kind import Doubt
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import Rule
from collector.alarms.places import about_broker, fits
from collector.alarms.urgency import gives_way
from collector.config.rules.fields import SAID
from collector.domain.lab import Lab, PlaceKind
from collector.domain.said_quantities import bare_in
from collector.domain.units import MEASURES, PUBLISHED

_SAID = ("setpoint", "deadband", "on_delay", "off_delay", "priority", "time_to_respond", "where", "enabled")
"""Fields by which a lab takes a rule for its own, the likeliest first."""


def rule_doubts(rules: Sequence[Rule], lab: Lab, of_the_lab: Mapping[str, Rule | None] | None = None) -> list[Doubt]:
    """All that may not do what was meant, in the order of the rules; of pairs of rules last.

    `of_the_lab`: name -> the rule as it ships, or None, for each rule that the lab changed or added.
    """
    own, by_name = of_the_lab or {}, {rule.name: rule for rule in rules}
    found = [doubt for rule in rules for doubt in _one(rule, lab)]
    found += [doubt for rule in rules if rule.name in own for doubt in _own(rule, own[rule.name], lab)]
    found += [doubt for rule in rules for doubt in _gives_way(rule, by_name, rule.name in own)]
    return found + [doubt for one, other in combinations(rules, 2) for doubt in _pair(one, other, lab)]


def _one(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    yield from doubts.too_late(rule)
    yield from kind_of(rule).doubts(rule, lab)
    if about_broker(rule):
        return
    yield from _where(rule, lab)
    if _somewhere(rule, lab):
        yield from _never_holds(rule, lab)


def _own(rule: Rule, shipped: Rule | None, lab: Lab) -> Iterator[Doubt]:
    """Of a rule that the lab changed or added: it is meant for this lab, and what ships is its measure."""
    kind = kind_of(rule)
    if not _measured(rule, lab) and rule.measure in PUBLISHED:
        message = f"can never alarm: no probe of this lab measures {MEASURES[rule.measure].label}"
        yield Doubt(rule=rule, field="measure", message=message, because=_SAID)
    if shipped is not None and (shipped.kind, shipped.measure) == (rule.kind, rule.measure):
        yield from doubts.far_from(rule, shipped, kind.setpoint, kind.direction(rule), lab)
    for name in SAID:
        text = getattr(rule, name)
        bare = bare_in(text, lab.us_units) if shipped is None or text != getattr(shipped, name) else []
        if bare:
            message = f"{', '.join(bare)} is read as it stands; in braces, like {{35 degC}}, in the units of this lab"
            yield Doubt(rule=rule, field=name, message=message, because=())


def _gives_way(rule: Rule, rules: Mapping[str, Rule], own: bool) -> Iterator[Doubt]:
    """Alarms that are named to speak for this one and cannot. A lab may well switch off one that ships."""
    for name in rule.gives_way_to:
        other = rules.get(name)
        if other is None:
            message = f"gives way to '{name}', which is no alarm in force{doubts.guess(name, rules)}"
            yield from [Doubt(rule=rule, field="gives_way_to", message=message)] if own else ()
        elif not gives_way(rule, other):
            why = "gives way to this one too" if rule.name in other.gives_way_to else f"is only {other.priority}"
            message = f"'{name}' {why}, so it does not speak for this one"
            yield Doubt(
                rule=rule,
                field="gives_way_to",
                message=message,
                because=("priority",),
                beside=other,
                theirs=("priority", "gives_way_to"),
            )


def _somewhere(rule: Rule, lab: Lab) -> bool:
    """Whether the rule makes an alarm in this lab."""
    stands_at = kind_of(rule).stands_at
    return bool(doubts.probes(rule, lab)) if stands_at is None else any(stands_at(rule, place) for place in lab.places)


def _where(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    places, stands_at = list(lab.by_id), kind_of(rule).stands_at
    for pattern in rule.where:
        here = [place for place in places if fits(pattern, place)]
        if not here:
            message = f"'{pattern}' is no place of this lab{doubts.guess(pattern, places)}"
            yield Doubt(rule=rule, field="where", message=message)
        elif stands_at is not None:
            if not any(stands_at(rule, lab.by_id[place]) for place in here):
                message = f"can never alarm: {rule.what} is nothing that is done at '{pattern}'"
                yield Doubt(rule=rule, field="where", message=message, because=("what", "kind"))
        elif _measured(rule, lab) and not any(probe.place in here for probe in doubts.probes(rule, lab)):
            what = MEASURES[rule.measure].label if rule.measure else "anything"
            message = f"no probe at '{pattern}' measures {what}{_trays(pattern, places)}"
            yield Doubt(rule=rule, field="where", message=message, because=("measure", "kind"))


def _measured(rule: Rule, lab: Lab) -> bool:
    """Whether the lab measures this at all: sets that ship speak of more than every lab has."""
    return not rule.measure or any(c.measure == rule.measure for probe in lab.probes for c in probe.channels)


def _trays(pattern: str, places: Iterable[str]) -> str:
    return f"; its trays are '{pattern}/*'" if any(fits(f"{pattern}/*", place) for place in places) else ""


def _never_holds(rule: Rule, lab: Lab) -> Iterator[Doubt]:
    """Conditions that keep the alarm suppressed for good, or never suppress it."""
    for field, conditions in (("only_while", rule.only_while), ("not_while", rule.not_while)):
        for condition in conditions:
            why = _why_never(condition, lab)
            if why and field == "only_while":
                yield Doubt(rule=rule, field=field, message=f"can never alarm: '{condition}' never holds: {why}")
            elif why:
                message = f"'{condition}' never holds and so suppresses nothing: {why}"
                yield Doubt(rule=rule, field=field, message=message)
    for condition in rule.only_while:
        if condition in rule.not_while:
            message = f"can never alarm: '{condition}' stands under not_while too"
            yield Doubt(rule=rule, field="only_while", message=message, because=("not_while",))


def _why_never(condition: Condition, lab: Lab) -> str:
    if condition.fact is Fact.LAB_OPEN and (lab.hours is None or not any(lab.hours.week)):
        return "lab.yaml gives no hours"
    if condition.fact is Fact.BREW_RUNNING and not any(place.kind is PlaceKind.BREWER for place in lab.places):
        return "lab.yaml has no brewer"
    return ""


def _pair(one: Rule, other: Rule, lab: Lab) -> Iterator[Doubt]:
    """Two rules of one measure that get in each other's way."""
    if one.measure == other.measure:
        found = list(kind_of(one).doubts_beside(one, other))
        yield from found if found and _meet(one, other, lab) else ()


def _meet(one: Rule, other: Rule, lab: Lab) -> bool:
    """Whether both hold at some place, as far as the lab and the patterns tell."""
    if not one.where or not other.where:
        return True
    both = [place for place in lab.by_id if any(fits(pattern, place) for pattern in one.where)]
    return any(fits(pattern, place) for pattern in other.where for place in both)
