"""Rule files: the fields of each kind, how each mistake in them is told, and the schema that editors use."""

import pytest
from jsonschema import Draft202012Validator

from collector.alarms.kinds.table import KINDS
from collector.alarms.model import Band, Kind, Rule, Weekly
from collector.config.rules.fields import foreign, rules_schema
from collector.config.yaml.text import read_yaml
from collector.domain.problems import Refused
from tests.worlds.rules import read_rules
from tests.worlds.values import HOUR

REST = "priority: low, consequence: c, corrective_action: a, time_to_respond: 1 h, basis: b"
DEVIATION = "kind: deviation, measure: bedding_temperature, against: air_temperature at room, setpoint: +6 degC"
RATE = "kind: rate, measure: bedding_moisture, window: 6 h, setpoint: -1.5 % per h"
FORECAST = "kind: forecast, measure: bedding_moisture, setpoint: 60 %, window: 24 h, horizon: 12 h, toward: low"
SUSPECT = "kind: suspect, window: 6 h, setpoint: 30 %"
PROBES = "kind: discrepancy, measure: bedding_moisture, setpoint: 10 %"
SQUEEZE = "kind: discrepancy, measure: bedding_moisture, setpoint: 5 %, against: squeeze test"
OVERDUE = "kind: overdue, what: squeeze test, setpoint: 3 d"
HIGH = "kind: high, measure: bedding_temperature, setpoint: 30 degC"
OF_KIND = {
    Kind.HIGH: HIGH,
    Kind.DEVIATION: DEVIATION,
    Kind.RATE: RATE,
    Kind.FORECAST: FORECAST,
    Kind.SUSPECT: SUSPECT,
    Kind.DISCREPANCY: SQUEEZE,
    Kind.OVERDUE: OVERDUE,
}
WRITTEN = {
    "measure": "bedding_moisture",
    "what": "feeding",
    "against": "squeeze test",
    "counts": "out of the bedding",
    "deadband": "1 %",
    "at_most": "8 h",
    "window": "1 h",
    "horizon": "1 h",
    "toward": "low",
    "bands": "{dry: [0 %, 5 %]}",
    "beyond": "70 %",
    "on_delay": "1 h",
    "off_delay": "1 h",
}


def text(fields: str) -> str:
    return f"alarms:\n  x: {{{fields}, {REST}}}\n"


def read(fields: str) -> Rule:
    (found,) = read_rules({"f": text(fields)})
    return found


def problems(fields: str) -> list[str]:
    with pytest.raises(Refused) as refused:
        read_rules({"f": text(fields)})
    return [f"{one.field.removeprefix('alarms.x.')}: {one.message}" for one in refused.value.problems]


@pytest.mark.parametrize(
    ("fields", "wanted"),
    [
        (DEVIATION, {"setpoint": 6.0, "against": "air_temperature at room"}),
        (DEVIATION.replace("+6 degC", "-9 degF"), {"setpoint": -5.0}),
        (DEVIATION.replace("+6", "6.5"), {"setpoint": 6.5}),
        (DEVIATION, {"beyond": None}),
        (f"{DEVIATION}, beyond: 75.2 degF", {"beyond": 24.0, "setpoint": 6.0}),
        (f"{FORECAST}, beyond: 70 %", {"beyond": 70.0}),
        (RATE, {"setpoint": -1.5, "window_ms": 6 * HOUR}),
        (f"{RATE}, deadband: 4.8 % per d", {"deadband": 0.2}),
        (FORECAST, {"setpoint": 60.0, "horizon_ms": 12 * HOUR, "by": None, "toward": "low"}),
        (FORECAST.replace("12 h", "monday 08:00"), {"horizon_ms": 0, "by": Weekly(0, 480)}),
        (FORECAST.replace("12 h", "Sun 23:59"), {"by": Weekly(6, 1439)}),
        (SUSPECT, {"setpoint": 30.0, "measure": "", "window_ms": 6 * HOUR}),
        (PROBES, {"setpoint": 10.0, "against": ""}),
        (SQUEEZE, {"against": "squeeze test", "bands": ()}),
        (
            f"{SQUEEZE}, bands: {{dry: [0 %, 70 %], wet: [80 %, 100 %]}}",
            {"bands": (Band("dry", 0, 70), Band("wet", 80, 100))},
        ),
        (OVERDUE, {"what": "squeeze test", "setpoint": 72.0 * HOUR, "measure": ""}),
        (f"{HIGH}, latching: yes, re_alarm: 4 h", {"latching": True, "re_alarm_ms": 4 * HOUR}),
        (HIGH, {"latching": False, "re_alarm_ms": None, "only_while": (), "not_while": ()}),
        (HIGH, {"gives_way_to": (), "gives_way_for_ms": 0, "waits_for_morning": False}),
        (f"{HIGH}, gives_way_to: too-hot", {"gives_way_to": ("too-hot",), "gives_way_for_ms": 0}),
        (
            f"{HIGH}, gives_way_to: [too-hot, hotter], gives_way_for: 12 h",
            {"gives_way_to": ("too-hot", "hotter"), "gives_way_for_ms": 12 * HOUR},
        ),
    ],
)
def test_each_kind_is_read_in_its_own_units(fields: str, wanted: dict[str, object]) -> None:
    """Differences, changes per hour, shares, times, moments of the week."""
    found = read(fields)
    for name, value in wanted.items():
        assert getattr(found, name) == (pytest.approx(value) if isinstance(value, float) else value), name


def test_conditions_are_one_or_a_list() -> None:
    """Written alone or as a list, in the words of the contexts."""
    found = read(f"{HIGH}, only_while: lab open, not_while: [brew running, fed within 2 d]")
    assert [str(one) for one in (*found.only_while, *found.not_while)] == ["lab open", "brew running", "fed within 2 d"]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (DEVIATION.replace("+6 degC", "0 degC"), "setpoint: is zero, which has no direction; write it like '+2 degC'"),
        (DEVIATION.replace("at room", ""), "against: 'air_temperature' is not a measure at one place; write it like"),
        (DEVIATION.replace("at room", "at '*/top'"), "against: \"air_temperature at '*/top'\" is not a measure at one"),
        (DEVIATION.replace("air_temperature", "air_temperatur"), "against: 'air_temperatur' is not a measure; did you"),
        (
            DEVIATION.replace("air_temperature", "zzz"),
            "against: 'zzz' is not a measure; use one of bedding_temperature,",
        ),
        (
            DEVIATION.replace("air_temperature", "battery"),
            "against: battery cannot be compared with bedding temperature",
        ),
        (RATE.replace(" per h", ""), "setpoint: '-1.5 %': is not a change per time; write it like '60 % per h'"),
        (RATE.replace("per h", "per week"), "setpoint: '-1.5 % per week': 'week' is not s, min, h or d; write it like"),
        (RATE.replace("-1.5", "0"), "setpoint: is zero, which has no direction; write it like '+2 degC per h'"),
        (RATE.replace("bedding_moisture", "air_pump"), "measure: air pump is on or off; kind rate needs a quantity"),
        (RATE.replace("6 h", "0 h"), "window: is zero; give a time, like '6 h', or leave the key out"),
        (FORECAST.replace("12 h", "munday 08:00"), "horizon: 'munday 08:00' is not a quantity of duration;"),
        (FORECAST.replace("12 h", "0 h"), "horizon: is zero; a horizon is a time ahead, like '12 h', or a moment"),
        (FORECAST.replace("toward: low", "toward: lo"), "toward: 'lo' is not one of low, high; did you mean 'low'?"),
        (FORECAST.replace("60 %", "140 %"), "setpoint: '140 %' is outside what bedding moisture can be (0 to 100 %)"),
        (f"{FORECAST}, beyond: 700 %", "beyond: '700 %' is outside what bedding moisture can be (0 to 100 %)"),
        (f"{DEVIATION}, beyond: 24", "beyond: 24 has no unit; write it like '24 degC'"),
        (SUSPECT.replace("30", "130"), "setpoint: '130 %' is no share; give 0 to 100 %"),
        (PROBES.replace("10", "-10"), "setpoint: '-10 %' is negative; give how far apart they may be"),
        (SQUEEZE.replace("squeeze", "squeez"), "against: 'squeez test' is not 'squeeze test'; leave the key out"),
        (
            SQUEEZE.replace("bedding_moisture", "bedding_temperature").replace("5 %", "5 degC"),
            "against: a squeeze test says nothing about bedding temperature; it is about bedding_moisture",
        ),
        (f"{PROBES}, bands: {{dry: [0 %, 5 %]}}", "bands: means nothing without 'against: squeeze test'; remove it"),
        (f"{SQUEEZE}, bands: 5", "bands: needs a span for each of dry, damp, wet, like 'dry: [0 %, 75 %]'"),
        (
            f"{SQUEEZE}, bands: {{dri: [0 %, 5 %]}}",
            "bands.dri: 'dri' is no result of a squeeze test; did you mean 'dry'?",
        ),
        (f"{SQUEEZE}, bands: {{dry: [0 %]}}", "bands.dry: needs two values, from and to, like [0 %, 75 %]"),
        (
            f"{SQUEEZE}, bands: {{dry: [0 %, wet]}}",
            "bands.dry: 'wet' is not a quantity of percent; write it like '60 %'",
        ),
        (f"{SQUEEZE}, bands: {{dry: [9 %, 5 %]}}", "bands.dry: does not end above where it begins"),
        (
            OVERDUE.replace("squeeze", "sqeeze"),
            "what: 'sqeeze test' is not one of squeeze test, watering, feeding, drain,",
        ),
        (OVERDUE.replace("3 d", "0 d"), "setpoint: is zero; give after how long, like '3 d'"),
        (f"{OVERDUE}, where: broker", "where: 'broker' is the link to the broker; only kind silent can watch it"),
        (f"{HIGH}, only_while: lab opn", "only_while: 'lab opn' is not a condition; did you mean 'lab open'?"),
        (
            f"{HIGH}, not_while: [lab open, watered]",
            "not_while[1]: 'watered' is not a condition; did you mean 'watered within",
        ),
        (f"{SUSPECT}, counts: air", "counts: 'air' is not 'out of the bedding'; leave the key out to count doubtful"),
        (f"{SUSPECT}, counts: out of the bedding", "counts: only bedding_moisture tells whether a probe is out of"),
        (
            "kind: silent, setpoint: 30 min, at_most: 20 min",
            "at_most: is shorter than the setpoint, which it is to let grow",
        ),
        (
            "kind: silent, setpoint: 30 min, at_most: 0 s",
            "at_most: is zero; give a time, like '6 h', or leave the key out",
        ),
        (f"{HIGH}, not_while: []", "not_while: names no condition; leave the key out"),
        (f"{HIGH}, gives_way_to: x", "gives_way_to: names the alarm itself; it would never be told"),
        (f"{HIGH}, gives_way_to: 5", "gives_way_to: needs a list, got 5"),
        (f"{HIGH}, gives_way_for: 2 h", "gives_way_for: means nothing without gives_way_to; remove it"),
        (f"{HIGH}, gives_way_to: y, gives_way_for: 13 h", "gives_way_for: is more than 12 h, the longest"),
        (f"{HIGH}, gives_way_to: y, gives_way_for: 0 h", "gives_way_for: is zero; give a time"),
        (f"{HIGH}, waits_for_morning: yes", "waits_for_morning: goes with priority medium only; high is told at once"),
        (f"{HIGH}, re_alarm: soon", "re_alarm: 'soon' is not a quantity of duration; write it like '30 min'"),
    ],
)
def test_each_mistake_is_told(fields: str, said: str) -> None:
    """One mistake, one problem: what was written, and what would be right."""
    (problem,) = problems(fields)
    assert problem.startswith(said)


@pytest.mark.parametrize("kind", OF_KIND)
def test_each_kind_refuses_what_means_nothing_to_it(kind: Kind) -> None:
    """Field by field, at the key."""
    for field in foreign(kind):
        assert f"{field}: means nothing for kind {kind}; remove it" in problems(
            f"{OF_KIND[kind]}, {field}: {WRITTEN[field]}"
        )


@pytest.mark.parametrize("kind", OF_KIND)
def test_each_kind_asks_for_what_it_needs(kind: Kind) -> None:
    """Every field that it cannot do without is asked for when it is not there."""
    told = problems(f"kind: {kind}, setpoint: 1 h")
    for field in KINDS[kind].needs:
        assert any(one.startswith(f"{field}: missing; kind {kind} needs to know ") for one in told), field


@pytest.mark.parametrize("kind", OF_KIND)
def test_the_schema_knows_the_kinds(kind: Kind) -> None:
    """Editors take a sound alarm of each kind, and mark what is missing or means nothing."""
    validator = Draft202012Validator(rules_schema())
    assert validator.is_valid(read_yaml(text(OF_KIND[kind]), "f").data)
    assert not validator.is_valid(read_yaml(text(f"kind: {kind}"), "f").data)
    for field in foreign(kind):
        with_it = read_yaml(text(f"{OF_KIND[kind]}, {field}: {WRITTEN[field]}"), "f").data
        assert not validator.is_valid(with_it), field
