"""The rule sets that ship: each alarm rationalised, its levels ordered, its figures those that were reasoned."""

import re
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from collector.alarms.model import Kind, Priority, Rule
from collector.alarms.places import about_broker
from collector.alarms.rulecheck import rule_warnings
from collector.alarms.rulefile import read_rules, rules_schema
from collector.domain.units import MEASURES
from collector.domain.yamltext import read_yaml
from tests.alarms.bench_lab import MIN, quillbrook

FOLDER = Path(__file__).parents[2] / "rules"
FILES = ("red-wigglers.yaml", "collector.yaml")
TEXTS = {f"rules/{name}": (FOLDER / name).read_text(encoding="utf-8") for name in FILES}
RULES = {rule.name: rule for rule in read_rules(TEXTS)}
H = 60 * MIN
EVERY_MS = 60_000


@pytest.fixture(params=list(RULES.values()), ids=list(RULES))
def alarm(request: pytest.FixtureRequest) -> Rule:
    """Each shipped alarm in turn."""
    assert isinstance(request.param, Rule)
    return request.param


def test_the_alarms_that_ship() -> None:
    """These and no others: a name that vanishes would silently leave something unwatched."""
    assert {name: (rule.kind.value, rule.setpoint) for name, rule in RULES.items()} == {
        "bedding-drying": ("low", 70.0),
        "bedding-dry": ("low", 60.0),
        "bedding-wet": ("high", 88.0),
        "bedding-waterlogged": ("high", 90.0),
        "bedding-warm": ("high", 27.0),
        "bedding-hot": ("high", 30.0),
        "bedding-cool": ("low", 12.0),
        "bedding-near-freezing": ("low", 4.0),
        "probe-battery-low": ("low", 3.3),
        "broker-lost": ("silent", 10.0 * MIN),
        "probe-silent": ("silent", 30.0 * MIN),
    }


def test_every_alarm_is_rationalised(alarm: Rule) -> None:
    """Consequence, corrective action, time to respond and basis, each long enough to say something."""
    assert len(alarm.consequence) > 60
    assert len(alarm.corrective_action) > 100
    assert len(alarm.basis) > 100
    assert alarm.time_to_respond_ms >= 4 * H


def test_every_consequence_says_by_when(alarm: Rule) -> None:
    """What happens is told with how soon: hours, a night, days, a week."""
    assert re.search(r"hour|night|day|week", alarm.consequence)


def test_every_corrective_action_is_something_to_do(alarm: Rule) -> None:
    """It names things to do with one's hands."""
    doing = r"\b(spray|water|open|squeeze|feel|carry|move|spread|mix|halve|charge|see whether|wrap|lift|tip)\b"
    assert re.search(doing, alarm.corrective_action, re.IGNORECASE)


def test_the_basis_says_where_sources_disagree_or_that_there_is_none(alarm: Rule) -> None:
    """Each bedding threshold names its sources and their disagreement; figures without a source say so."""
    assert "ommon practice, no source" in alarm.basis
    if alarm.measure.startswith("bedding"):
        assert "isagree" in alarm.basis
        assert re.search(r"Edwards|Kaplan|extension", alarm.basis)


def test_who_touches_bedding_is_told_to_wash(alarm: Rule) -> None:
    """Food safety: every action that puts hands into bedding ends at the sink."""
    if re.search(r"squeeze|cardboard until|newspaper into|feed pocket|spread the bedding", alarm.corrective_action):
        assert re.search(r"wash your hands", alarm.corrective_action, re.IGNORECASE)


@pytest.mark.parametrize(
    ("name", "caution"),
    [
        ("bedding-hot", "GFCI or RCD"),
        ("bedding-waterlogged", "switched off first"),
        ("bedding-waterlogged", "Never pour leachate on anything people will eat"),
        ("bedding-wet", "Never pour leachate on anything people will eat"),
        ("bedding-near-freezing", "electric heaters away from wet bedding"),
        ("bedding-cool", "Do not use an electric heater"),
        ("probe-battery-low", "never overnight"),
        ("broker-lost", "dry hands"),
        ("probe-silent", "dry hands"),
    ],
)
def test_cautions_stand_where_they_belong(name: str, caution: str) -> None:
    """Mains power near water, leachate near food, charging lithium cells."""
    assert caution in RULES[name].corrective_action


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("bedding-drying", "bedding-dry"),
        ("bedding-wet", "bedding-waterlogged"),
        ("bedding-warm", "bedding-hot"),
        ("bedding-cool", "bedding-near-freezing"),
    ],
)
def test_the_two_levels_are_ordered(first: str, second: str) -> None:
    """The second level lies farther out, matters more, comes sooner, leaves less time, and clears before the first."""
    mild, grave = RULES[first], RULES[second]
    outward = 1 if mild.kind is Kind.HIGH else -1
    assert (mild.kind, mild.measure) == (grave.kind, grave.measure)
    assert outward * (grave.setpoint - mild.setpoint) > 0
    order = list(Priority)
    assert order.index(grave.priority) > order.index(mild.priority)
    assert grave.on_delay_ms <= mild.on_delay_ms
    assert grave.time_to_respond_ms < mild.time_to_respond_ms
    assert outward * (grave.setpoint - outward * grave.deadband) > outward * (mild.setpoint - outward * mild.deadband)


def test_deadbands_and_delays_hold_noise_off(alarm: Rule) -> None:
    """Deadbands of half a degree or two per cent at least; delays of two reporting intervals at least."""
    if alarm.kind is Kind.SILENT:
        assert alarm.setpoint + alarm.on_delay_ms >= 2 * EVERY_MS
        return
    least = {"temperature": 0.5, "percent": 2.0, "voltage": 0.1}[MEASURES[alarm.measure].dimension]
    assert alarm.deadband >= least
    assert alarm.on_delay_ms >= 2 * EVERY_MS
    assert alarm.off_delay_ms >= 2 * EVERY_MS


def test_delays_are_short_against_the_time_to_respond(alarm: Rule) -> None:
    """Waiting to be sure takes no more than a tenth of the time there is."""
    waits = alarm.on_delay_ms + (alarm.setpoint if alarm.kind is Kind.SILENT else 0)
    assert waits <= alarm.time_to_respond_ms / 10


def test_few_alarms_are_of_high_priority() -> None:
    """High is kept for what kills worms within a day."""
    high = {name for name, rule in RULES.items() if rule.priority is Priority.HIGH}
    assert high == {"bedding-dry", "bedding-hot", "bedding-near-freezing"}


def test_bands_stay_inside_what_every_source_accepts() -> None:
    """Check values of the sources: 4-30 degC and 60-90 % are the limits they share; 15-25 degC, 75-85 % are quiet."""
    limits = {"bedding_temperature": (4.0, 30.0, 15.0, 25.0), "bedding_moisture": (60.0, 90.0, 75.0, 85.0)}
    for rule in RULES.values():
        if rule.measure in limits:
            low, high, calm_low, calm_high = limits[rule.measure]
            assert low <= rule.setpoint <= high
            quiet = rule.setpoint < calm_low if rule.kind is Kind.LOW else rule.setpoint > calm_high
            assert quiet, rule.name


def test_the_broker_alarm_is_about_the_broker_and_the_others_hold_everywhere() -> None:
    """Shipped rules name no place of any one lab."""
    assert [name for name, rule in RULES.items() if about_broker(rule)] == ["broker-lost"]
    assert all(rule.where == () for name, rule in RULES.items() if name != "broker-lost")


def test_the_usual_lab_gets_no_warning() -> None:
    """In a lab whose probes report each minute the shipped sets leave nothing to say."""
    assert rule_warnings(tuple(RULES.values()), quillbrook()) == ()


@pytest.mark.parametrize("name", FILES)
def test_editors_accept_the_shipped_files(name: str) -> None:
    """The JSON Schema fits what ships."""
    data = read_yaml(TEXTS[f"rules/{name}"], name).data
    assert [error.message for error in Draft202012Validator(rules_schema()).iter_errors(data)] == []


def test_the_dryness_alarm_reads_easily() -> None:
    """The first mail a newcomer sees: short sentences, no unit beyond what is in a kitchen, no jargon."""
    dry = RULES["bedding-dry"]
    for text in (dry.consequence, dry.corrective_action):
        sentences = re.split(r"(?<=[.:])\s", text)
        assert max(len(sentence.split()) for sentence in sentences) <= 24
        assert not re.search(r"setpoint|wet basis|gravimetric|leachate|mL|%", text)
