"""Rule files: what is taken, and how each mistake is told."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from collector.alarms.model import Kind, Priority, Rule
from collector.config.rules.fields import rules_schema
from collector.config.yaml.text import read_yaml
from collector.domain.problems import Problem, Refused
from tests.worlds.rules import read_rules
from tests.worlds.values import MIN

GOOD = """\
alarms:
  bedding-dry:
    kind: low
    measure: bedding_moisture
    where: [juniper/top, maple/*]
    setpoint: 60 %
    deadband: 2 %
    on_delay: 15 min
    off_delay: 0.5 h
    priority: high
    consequence: Worms dry out.
    corrective_action: >-
      Spray a cup of water,
      then look again.
    time_to_respond: 12 h
    basis: made up for a test
  probe-silent:
    kind: silent
    setpoint: 30 min
    priority: low
    consequence: Nobody watches.
    corrective_action: See to the battery.
    time_to_respond: 1 d
    basis: made up for a test
  broker-lost:
    kind: silent
    where: broker
    setpoint: 10 min
    priority: low
    consequence: Nobody watches.
    corrective_action: See to the broker.
    time_to_respond: 1 d
    basis: made up for a test
"""
REST = "priority: low, consequence: c, corrective_action: a, time_to_respond: 1 h, basis: b"


def one(fields: str, rest: str = REST) -> str:
    return f"alarms:\n  x: {{{fields}, {rest}}}\n"


def problems(text: str, file: str = "rules/site.yaml") -> list[str]:
    with pytest.raises(Refused) as refused:
        read_rules({file: text})
    return [str(problem) for problem in refused.value.problems]


def test_a_good_file_becomes_rules() -> None:
    """Every field arrives in canonical units, in file order, with where it stands."""
    dry, silent, broker = read_rules({"rules/site.yaml": GOOD})
    assert dry == Rule(
        name="bedding-dry",
        kind=Kind.LOW,
        measure="bedding_moisture",
        where=("juniper/top", "maple/*"),
        setpoint=60.0,
        deadband=2.0,
        on_delay_ms=15 * MIN,
        off_delay_ms=30 * MIN,
        priority=Priority.HIGH,
        consequence="Worms dry out.",
        corrective_action="Spray a cup of water, then look again.",
        time_to_respond_ms=12 * 60 * MIN,
        basis="made up for a test",
        source="rules/site.yaml:2",
    )
    assert (silent.kind, silent.measure, silent.where, silent.setpoint) == (Kind.SILENT, "", (), 30.0 * MIN)
    assert (silent.deadband, silent.on_delay_ms, silent.off_delay_ms) == (0.0, 0, 0)
    assert (broker.where, broker.source) == (("broker",), "rules/site.yaml:25")


@pytest.mark.parametrize("text", ["", "# all commented out\n", "alarms:\n", "alarms: {}\n"])
def test_a_file_without_alarms_is_fine(text: str) -> None:
    """Empty, commented out, or an empty set: no alarms."""
    assert read_rules({"rules/site.yaml": text}) == ()


def test_degrees_fahrenheit_are_turned_as_what_they_are() -> None:
    """A setpoint is a temperature, a deadband a difference of temperatures."""
    (rule,) = read_rules({"f": one("kind: high, measure: bedding_temperature, setpoint: 86 degF, deadband: 1.8 degF")})
    assert [rule.setpoint, rule.deadband] == pytest.approx([30.0, 1.0])


def test_zero_is_a_setpoint() -> None:
    """0 is taken as a value, not as nothing."""
    (rule,) = read_rules({"f": one("kind: low, measure: bedding_temperature, setpoint: 0 degC")})
    assert rule.setpoint == 0.0


def test_a_switch_is_written_on_or_off() -> None:
    """An air pump that is not on: low with setpoint on."""
    (rule,) = read_rules({"f": one("kind: low, measure: air_pump, setpoint: on")})
    assert rule.setpoint == 1.0
    assert rule.deadband == -0.5  # nothing lies beyond on: it clears above half way


HIGH = "kind: high, measure: bedding_temperature, setpoint: 30 degC"
QUIET = "kind: silent, setpoint: 30 min"


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (
            "kind: hihg, measure: battery, setpoint: 3 V",
            "2:13 alarms.x.kind: 'hihg' is not one of high, low, deviation, rate, forecast, silent, suspect,"
            " discrepancy, overdue; did you mean 'high'?",
        ),
        ("measure: battery, setpoint: 3 V", "2:3 alarms.x.kind: missing; this key is needed here"),
        (f"{HIGH}, deadbnd: 1 degC", "2:68 alarms.x.deadbnd: unknown key; did you mean 'deadband'?"),
        (f"{HIGH}, setpoint: 3 degC", "2:68 alarms.x.setpoint: 'setpoint' stands twice (first on line 2); keep one"),
        ("kind: high, setpoint: 30 degC", "2:3 alarms.x.measure: missing; kind high needs to know what is measured"),
        (
            "kind: low, measure: bedding_moistur, setpoint: 3 %",
            "2:27 alarms.x.measure: 'bedding_moistur' is not a measure; did you mean 'bedding_moisture'?",
        ),
        (
            "kind: low, measure: zzz, setpoint: 3 %",
            "2:27 alarms.x.measure: 'zzz' is not a measure; use one of bedding_temperature, bedding_moisture,"
            " air_temperature, air_humidity, tea_temperature, dissolved_oxygen, air_pump, leachate_level, battery",
        ),
        ("kind: low, measure: [a], setpoint: 3 %", "2:27 alarms.x.measure: needs text, got a list"),
        (
            "kind: low, measure: battery",
            "2:3 alarms.x.setpoint: missing; give the value beyond which it alarms",
        ),
        ("kind: silent", "2:3 alarms.x.setpoint: missing; give how long without a reading"),
        (
            "kind: low, measure: bedding_moisture, setpoint: dry",
            "2:55 alarms.x.setpoint: 'dry' is not a quantity of percent; write it like '60 %'",
        ),
        (
            "kind: low, measure: bedding_moisture, setpoint: 60",
            "2:55 alarms.x.setpoint: 60 has no unit; write it like '60 %'",
        ),
        (
            "kind: low, measure: bedding_moisture, setpoint: 30 degC",
            "2:55 alarms.x.setpoint: '30 degC': 'degC' is not a unit of percent; use one of %",
        ),
        (
            "kind: low, measure: bedding_moisture, setpoint: 140 %",
            "2:55 alarms.x.setpoint: '140 %' is outside what bedding moisture can be (0 to 100 %)",
        ),
        (
            "kind: silent, setpoint: 60 %",
            "2:31 alarms.x.setpoint: '60 %': '%' is not a unit of duration; use one of s, min, h, d",
        ),
        (
            "kind: silent, setpoint: 0 s",
            "2:31 alarms.x.setpoint: is zero; give how long without a reading, like '30 min'",
        ),
        (f"{QUIET}, deadband: 1 min", "2:39 alarms.x.deadband: means nothing for kind silent; remove it"),
        (
            "kind: low, measure: air_pump, setpoint: on, deadband: 1 V",
            "2:51 alarms.x.deadband: means nothing for air pump, on or off; remove it",
        ),
        (f"{HIGH}, deadband: -1 degC", "2:78 alarms.x.deadband: '-1 degC' is negative; a deadband is 0 or more"),
        (
            f"{HIGH}, deadband: 1 %",
            "2:78 alarms.x.deadband: '1 %': '%' is not a unit of temperature difference; use one",
        ),
        (f"{HIGH}, on_delay: -1 min", "2:78 alarms.x.on_delay: '-1 min' is negative; a duration is 0 s or more"),
        (
            f"{HIGH}, on_delay: soon",
            "2:78 alarms.x.on_delay: 'soon' is not a quantity of duration; write it like '30 min'",
        ),
        (
            f"{QUIET}, off_delay: 30 min",
            "2:50 alarms.x.off_delay: is not shorter than the setpoint; it could outlast the next silence",
        ),
        (f"{HIGH}, where: []", "2:75 alarms.x.where: names no place; leave the key out to mean everywhere"),
        (f"{HIGH}, where: {{a: 1}}", "2:75 alarms.x.where: needs a list, got keys with values"),
        (f"{HIGH}, where: [1]", "2:76 alarms.x.where[0]: needs text, got 1"),
        (
            f"{HIGH}, where: jun*/top",
            "2:75 alarms.x.where: 'jun*/top' is not a place; write it like 'juniper/top', 'juniper/*' or 'room'",
        ),
        (
            f"{HIGH}, where: broker",
            "2:75 alarms.x.where: 'broker' is the link to the broker; only kind silent can watch it",
        ),
        (
            f"{QUIET}, where: [broker, room]",
            "2:46 alarms.x.where: 'broker' cannot stand beside places; make it an alarm of its own",
        ),
        (
            f"{QUIET}, where: broker, measure: battery",
            "2:54 alarms.x.measure: means nothing for the link to the broker; remove it",
        ),
    ],
)
def test_each_mistake_is_told_with_its_place_and_what_would_be_right(fields: str, said: str) -> None:
    """One mistake, one problem: file, line, column, field, value, and the way out."""
    (problem,) = problems(one(fields))
    assert problem.startswith(f"rules/site.yaml:{said}")


@pytest.mark.parametrize("key", ["priority", "consequence", "corrective_action", "time_to_respond", "basis"])
def test_no_alarm_without_its_rationale(key: str) -> None:
    """Each part of the record of rationalisation is asked for where it is missing."""
    rest = ", ".join(part for part in REST.split(", ") if not part.startswith(key))
    assert problems(one(HIGH, rest)) == [f"rules/site.yaml:2:3 alarms.x.{key}: missing; this key is needed here"]


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ("priority: urgent", "'urgent' is not one of low, medium, high"),
        ("consequence: '  '", "is empty; a person has to act on this text"),
        ("corrective_action: 5", "needs text, got 5"),
        ("consequence: 'dead at {35 C}'", "'{35 C}': 'C' is not a unit of a text; did you mean '{35 degC}'?"),
        ("corrective_action: 'spray {much}'", "'{much}' is not a quantity; write it like {35 degC}"),
        ("basis: 'from {4 degC on'", "has a brace without its other one"),
        ("time_to_respond: 0 s", "is zero; an alarm nobody has time to act on is not an alarm"),
        ("time_to_respond: 5", "5 has no unit; write it like '30 min'"),
    ],
)
def test_a_rationale_must_say_something(part: str, said: str) -> None:
    """Blank texts, numbers for texts, bad quantities in texts and no time at all are refused."""
    key = part.split(":")[0]
    rest = ", ".join(part if old.startswith(key) else old for old in REST.split(", "))
    (problem,) = problems(one(HIGH, rest))
    assert f"alarms.x.{key}: {said}" in problem


@pytest.mark.parametrize("name", ["Bad Name", "bedding_dry", "-dry", "'*'", "a" * 61, "''"])
def test_names_are_plain(name: str) -> None:
    """Names go into commands, subjects and keys: small letters, digits, '-'."""
    (problem,) = problems(one(HIGH).replace("  x:", f"  {name}:"))
    assert "cannot name an alarm; use small letters, digits and '-'" in problem


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("- 1", "f:1:1 needs keys with values below it, got a list"),
        ("just text", "f:1:1 needs keys with values below it, got 'just text'"),
        ("alarms: 5", "f:1:9 alarms: needs keys with values below it, got 5"),
        ("alarms:\n  x: 5", "f:2:6 alarms.x: needs keys with values below it, got 5"),
        ("alarm: {}", "f:1:1 alarm: unknown key; did you mean 'alarms'?"),
        ("alarms: [", "f:1:10 not valid YAML"),
    ],
)
def test_what_is_no_rule_file(text: str, said: str) -> None:
    """Other shapes of YAML and what is not YAML are one problem each."""
    (problem,) = problems(text, "f")
    assert problem.startswith(said)


def test_all_problems_of_all_files_come_at_once() -> None:
    """Nothing hides behind another mistake: not in its alarm, not in its file, not in the next file."""
    texts = {
        "a.yaml": one("kind: hihg, mesure: battery, setpoint: 3 V"),
        "b.yaml": "alarms: [",
        "c.yaml": one(HIGH) + "  y: {kind: high, measure: battery, setpoint: 3 %, priority: low}\n",
    }
    with pytest.raises(Refused) as refused:
        read_rules(texts)
    told = [f"{one.file} {one.field}" for one in refused.value.problems]
    assert told == [
        "a.yaml alarms.x.kind",
        "a.yaml alarms.x.mesure",
        "b.yaml ",
        "c.yaml alarms.x",
        "c.yaml alarms.y.basis",
        "c.yaml alarms.y.consequence",
        "c.yaml alarms.y.corrective_action",
        "c.yaml alarms.y.time_to_respond",
        "c.yaml alarms.y.setpoint",
    ]


def test_a_name_used_in_two_files_is_refused_with_both_places() -> None:
    """Two alarms of one name would be one alarm with two meanings."""
    with pytest.raises(Refused) as refused:
        read_rules({"a.yaml": one(HIGH), "b.yaml": "# second\n" + one(HIGH)})
    assert str(refused.value) == "b.yaml:3:3 alarms.x: an alarm of this name stands at a.yaml:2; rename one"


@given(
    st.text(max_size=200)
    | st.from_regex(r"alarms:\n  [a-z]+: \{(kind: [a-z]+|setpoint: .{0,9}|where: .{0,9})\}", fullmatch=True)
)
@example("alarms: {x: {kind: {a: b}}}")
@example("alarms: {x: {kind: [high]}}")
@example("alarms: {x: {kind: 1, measure: {}, where: [[]], setpoint: [], deadband: {}, on_delay: []}}")
@example("alarms: {1: {}, ~: {}}")
@settings(max_examples=80, deadline=None)
def test_no_text_breaks_the_reader(text: str) -> None:
    """Whatever stands in a rule file, the answer is rules or problems."""
    try:
        answer: tuple[object, ...] = read_rules({"f": text})
    except Refused as refused:
        answer = refused.problems or (None,)
    assert all(isinstance(part, Rule | Problem) for part in answer)


def test_the_schema_takes_what_the_reader_takes() -> None:
    """Editors accept the good file and mark the commonest slips."""
    schema = rules_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    assert validator.is_valid(read_yaml(GOOD, "f").data)
    for bad in (
        one("kind: hihg"),
        one(f"{HIGH}, deadbnd: 1"),
        one(HIGH, "priority: low"),
        one(f"{HIGH}, on_delay: soon"),
    ):
        assert not validator.is_valid(read_yaml(bad, "f").data), bad
