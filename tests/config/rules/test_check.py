"""Warnings: rules that can be read and may not do what was meant in this lab."""

from dataclasses import replace

import pytest

from collector.alarms.contexts import parse_condition
from collector.alarms.model import Kind, Priority, Rule
from collector.config.rules.check import rule_doubts
from collector.domain.lab import Format, Probe
from tests.worlds.rules import BROKER, HOT, SILENT, rule
from tests.worlds.values import AIR, MIN, probe, quillbrook

WARM = rule(HOT, on_delay_ms=10 * MIN)
COLD = rule(WARM, name="bedding-cold", kind=Kind.LOW, setpoint=4.0, source="rules/test.yaml:20")
DRY = rule(COLD, name="bedding-dry", measure="bedding_moisture", setpoint=60.0, deadband=2.0)


def room_probe(every_ms: int = MIN) -> Probe:
    return probe("room", "room", AIR, format=Format.NUMBER, every_ms=every_ms)


def warnings(*rules: Rule, every_ms: int = MIN) -> list[str]:
    """What is doubted, by the line of the rule: 'rules/test.yaml:2:1 alarms.bedding-warm.deadband: warning: ...'."""
    found = rule_doubts(rules, quillbrook(room_probe(every_ms)))
    return [f"{one.rule.source}:1 alarms.{one.rule.name}.{one.field}: warning: {one.message}" for one in found]


def test_sound_rules_are_not_warned_of() -> None:
    """Nothing to say about rules that do what they say; nor about measures no probe here has."""
    spare = rule(WARM, name="tea-low", measure="dissolved_oxygen", kind=Kind.LOW, setpoint=6.0, deadband=0.5)
    assert warnings(WARM, COLD, DRY, SILENT, BROKER, spare) == []


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (
            rule(WARM, where=("juniper/tip",)),
            "where: warning: 'juniper/tip' is no place of this lab; did you mean",
        ),
        (rule(WARM, where=("zzz",)), "where: warning: 'zzz' is no place of this lab"),
        (
            rule(WARM, where=("juniper",)),
            "where: warning: no probe at 'juniper' measures bedding temperature; its trays are 'juniper/*'",
        ),
        (rule(WARM, where=("room",)), "where: warning: no probe at 'room' measures bedding temperature"),
        (
            rule(SILENT, where=("maple",)),
            "where: warning: no probe at 'maple' measures anything; its trays are 'maple/*'",
        ),
        (
            rule(DRY, kind=Kind.HIGH, setpoint=100.0),
            "setpoint: warning: can never alarm: bedding moisture cannot be above 100 %",
        ),
        (rule(DRY, setpoint=0.0), "setpoint: warning: can never alarm: bedding moisture cannot be below 0 %"),
        (rule(DRY, setpoint=90.0, deadband=10.0), "deadband: warning: can never clear: that takes a value above 100 %"),
        (
            rule(DRY, kind=Kind.HIGH, setpoint=10.0, deadband=10.0),
            "deadband: warning: can never clear: that takes a value below 0 %",
        ),
        (rule(WARM, deadband=10.5), "deadband: warning: 10.5 degC is wide; more than 10 degC is seldom meant"),
        (rule(DRY, deadband=21.0), "deadband: warning: 21 % is wide; more than 20 % is seldom meant"),
        (
            rule(WARM, on_delay_ms=MIN),
            "on_delay: warning: 1 min is under two reporting intervals (2 min): one odd reading can raise it",
        ),
        (
            rule(SILENT, setpoint=60_000.0),
            "setpoint: warning: 1 min is under two reporting intervals (2 min): one lost reading raises it",
        ),
    ],
)
def test_each_doubt_is_told_with_its_place(one: Rule, said: str) -> None:
    """File, line and field of the rule, marked as a warning."""
    (warning,) = warnings(one)
    file_and_line = ":".join(one.source.split(":"))
    assert warning.startswith(f"{file_and_line}:1 alarms.{one.name}.{said}")


def test_the_slowest_probe_that_a_rule_covers_counts() -> None:
    """A probe that reports each half hour makes a half-hour silence too short, where the rule holds for it."""
    (warning,) = warnings(SILENT, every_ms=30 * MIN)
    assert "30 min is under two reporting intervals (1 h)" in warning
    assert warnings(rule(SILENT, where=("juniper/*",)), every_ms=30 * MIN) == []


@pytest.mark.parametrize("swapped", [False, True])
def test_high_below_low_is_told(swapped: bool) -> None:
    """Two alarms of which one always stands, in whichever order they are written."""
    pair = (rule(WARM, setpoint=4.0), COLD)
    (warning,) = warnings(*(reversed(pair) if swapped else pair))
    assert warning == (
        "rules/test.yaml:2:1 alarms.bedding-hot.setpoint: warning: high at 4 degC is not above low at 4 degC of"
        " 'bedding-cold' (rules/test.yaml:20): one of them always stands"
    )


def test_a_deadband_into_the_other_alarm_is_told() -> None:
    """An alarm that clears only where its counterpart stands, either way round."""
    (warning,) = warnings(rule(WARM, setpoint=13.0, deadband=9.0), COLD)
    assert "bedding-hot.deadband: warning: clears only below 4 degC, where 'bedding-cold' (rules/" in warning
    (warning,) = warnings(rule(WARM, setpoint=13.0), rule(COLD, deadband=9.0))
    assert "bedding-cold.deadband: warning: clears only above 13 degC, where 'bedding-hot' (rules/" in warning


def test_alarms_that_never_meet_are_not_compared() -> None:
    """High below low is fine where they hold at different places or of different measures."""
    high, low = rule(WARM, setpoint=4.0, where=("juniper/*",)), rule(COLD, where=("maple/*",))
    assert warnings(high, low) == []
    assert warnings(high, rule(low, where=("juniper/top",))) != []
    assert warnings(rule(WARM, setpoint=30.0), DRY) == []


def test_a_delay_that_uses_up_the_time_to_respond_is_told() -> None:
    """Also of the link to the broker: whoever is called then may come too late."""
    said = "on_delay: warning: 1 h is no shorter than the time to respond (1 h): people are told when it may be too"
    for base in (WARM, SILENT, BROKER):
        (warning,) = warnings(rule(base, on_delay_ms=60 * MIN))
        assert said in warning
        assert warnings(rule(base, on_delay_ms=59 * MIN)) == []


def test_a_slow_probe_is_no_matter_where_habits_are_heeded() -> None:
    """`at_most`: the setpoint grows by itself with the interval. The link has no habits."""
    slow = replace(quillbrook(), probes=tuple(replace(one, every_ms=60 * MIN) for one in quillbrook().probes))
    assert [doubt.field for doubt in rule_doubts([SILENT], slow)] == ["setpoint"]
    assert rule_doubts([rule(SILENT, at_most_ms=360 * MIN)], slow) == []
    (doubt,) = rule_doubts([rule(BROKER, at_most_ms=360 * MIN)], slow)
    assert (doubt.field, doubt.message) == ("at_most", "means nothing for the link to the broker, which has no habits")


def test_a_setpoint_that_nothing_reaches_is_told_in_the_units_of_the_lab() -> None:
    """300 degrees Fahrenheit for 80: no bed is ever there, and the alarm would be silent for good."""
    hot = rule(WARM, setpoint=148.9)
    (doubt,) = rule_doubts([hot], replace(quillbrook(), us_units=True))
    assert doubt.field == "setpoint"
    assert doubt.message == (
        "300.0 °F is nothing that bedding temperature is in a lab; plausible is 14.0 °F to 140.0 °F"
    )
    assert rule_doubts([rule(WARM, setpoint=60.0)], quillbrook()) == []
    (doubt,) = rule_doubts([rule(COLD, setpoint=61.0)], quillbrook())
    assert doubt.message.startswith("61.0 °C is nothing")


EARLY = rule(WARM, name="bedding-warm", priority=Priority.MEDIUM, setpoint=27.0, source="rules/test.yaml:9")


@pytest.mark.parametrize("swapped", [False, True])
def test_an_urgent_alarm_before_its_early_warning_is_told(swapped: bool) -> None:
    """In whichever order they are written, on either side; at the same value the early warning warns of nothing."""

    def both(urgent: Rule, early: Rule) -> list[str]:
        return warnings(*((early, urgent) if swapped else (urgent, early)))

    (warning,) = both(rule(WARM, setpoint=26.0), EARLY)
    assert warning == (
        "rules/test.yaml:2:1 alarms.bedding-hot.setpoint: warning: 26 degC does not come after the early warning"
        " 'bedding-warm' at 27 degC (rules/test.yaml:9): the urgent call is the first that people hear"
    )
    assert both(rule(WARM, setpoint=27.0), EARLY) != []
    assert both(rule(WARM, setpoint=27.5), EARLY) == []
    cool = rule(COLD, name="bedding-cool", priority=Priority.LOW, setpoint=12.0)
    assert both(COLD, cool) == []
    assert "'bedding-cool' at 3 degC" in both(COLD, rule(cool, setpoint=3.0))[0]


def test_alarms_of_one_side_that_never_speak_together_are_not_ordered() -> None:
    """Of one priority, at different places, or where what lets the one speak silences the other."""
    urgent = rule(WARM, setpoint=26.0)
    assert warnings(urgent, rule(EARLY, priority=Priority.HIGH)) == []
    assert warnings(rule(urgent, where=("juniper/*",)), rule(EARLY, where=("maple/*",))) == []
    in_service, out = rule(urgent, only_while=(SERVED,)), rule(EARLY, not_while=(SERVED,))
    assert warnings(in_service, out) == warnings(out, in_service) == []
    assert warnings(in_service, EARLY) != []


# ---- every kind --------------------------------------------------------------------------------------------------

APART = rule(WARM, name="apart", kind=Kind.DEVIATION, setpoint=5.0, deadband=1.0, against="air_temperature at room")
RATE = rule(WARM, name="rising", kind=Kind.RATE, setpoint=2.0, deadband=0.5, window_ms=60 * MIN)
SHARE = rule(WARM, name="doubtful", kind=Kind.SUSPECT, setpoint=30.0, deadband=10.0, window_ms=60 * MIN)
AHEAD = rule(DRY, name="ahead", kind=Kind.FORECAST, toward="low", window_ms=600 * MIN, horizon_ms=600 * MIN)
TWO = rule(WARM, name="two", kind=Kind.DISCREPANCY, setpoint=3.0, deadband=1.0)
LATE = rule(HOT, name="late", kind=Kind.OVERDUE, measure="", setpoint=3.0 * 86_400_000, what="watering")
OPEN, BREWING, SERVED = (parse_condition(text) for text in ("lab open", "brew running", "tray in service"))


def test_sound_rules_of_every_kind_are_not_warned_of() -> None:
    """Nor those that find nothing to do in this lab because it has no second probe, brewer or the like."""
    assert warnings(APART, RATE, SHARE, AHEAD, TWO, LATE, rule(LATE, name="brew", what="brew end")) == []
    assert warnings(rule(WARM, only_while=(SERVED,)), rule(AHEAD, beyond=61.0)) == []


def test_a_task_at_a_tray_and_two_probes_in_one_place_are_sound() -> None:
    """Watering is done at a tray; a place with a second probe of the measure has something to compare."""
    assert warnings(rule(LATE, where=("juniper/top",))) == []
    base = quillbrook(room_probe())
    first = next(probe for probe in base.probes if probe.place == "juniper/top")
    pair = replace(base, probes=(*base.probes, replace(first, id="juniper-top-two", topic="worms/second")))
    alone, beside = rule(TWO, where=("juniper/top",)), rule(TWO, where=("maple/top",))
    assert rule_doubts([alone], pair) == []
    assert [doubt.field for doubt in rule_doubts([beside], pair)] == ["where"]


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (
            rule(APART, against="air_temperature at rom"),
            "against: warning: can never alarm: 'rom' is no place here; did you mean 'room'?",
        ),
        (
            rule(APART, against="air_temperature at juniper"),
            "against: warning: can never alarm: no probe at 'juniper' measures air temperature",
        ),
        (
            rule(APART, deadband=6.0),
            "deadband: warning: is wider than the setpoint: it clears only once",
        ),
        (rule(RATE, deadband=2.5), "deadband: warning: is wider than the setpoint: it clears only once"),
        (
            rule(RATE, window_ms=MIN),
            "window: warning: can never alarm: 1 min holds fewer than 2 readings of a probe that reports each 1 min",
        ),
        (rule(SHARE, setpoint=100.0), "setpoint: warning: can never alarm: no more than 100 % of the readings can be"),
        (rule(SHARE, deadband=30.0), "deadband: warning: can never clear: that takes less than none"),
        (
            rule(SHARE, window_ms=3 * MIN),
            "window: warning: can never alarm: 3 min holds fewer than 4 readings of a probe that reports each 1 min",
        ),
        (
            rule(AHEAD, window_ms=120 * MIN, horizon_ms=120 * MIN),
            "window: warning: can never alarm: a trend needs 8 points, one each 30 min; give 4 h or more",
        ),
        (
            rule(AHEAD, horizon_ms=2_000 * MIN),
            "horizon: warning: 33 h 20 min is far for a window of 10 h; more than 3 times the window says little",
        ),
        (
            rule(AHEAD, beyond=60.0),
            "beyond: warning: can never alarm: what is beyond this is beyond the setpoint already",
        ),
        (rule(AHEAD, setpoint=0.0), "setpoint: warning: can never alarm: bedding moisture cannot be below 0 %"),
        (
            rule(TWO, where=("juniper/top",)),
            "where: warning: can never alarm: no place there has two probes that measure this",
        ),
        (rule(TWO, deadband=3.0), "deadband: warning: can never clear: that takes less than none"),
        (
            rule(LATE, where=("room",)),
            "where: warning: can never alarm: watering is nothing that is done at 'room'",
        ),
        (
            rule(WARM, only_while=(OPEN,)),
            "only_while: warning: can never alarm: 'lab open' never holds: lab.yaml gives no hours",
        ),
        (
            rule(WARM, not_while=(OPEN,)),
            "not_while: warning: 'lab open' never holds and so suppresses nothing: lab.yaml gives no hours",
        ),
        (
            rule(WARM, only_while=(BREWING,)),
            "only_while: warning: can never alarm: 'brew running' never holds: lab.yaml has no brewer",
        ),
        (
            rule(WARM, only_while=(SERVED,), not_while=(SERVED,)),
            "only_while: warning: can never alarm: 'tray in service' stands under not_while too",
        ),
    ],
)
def test_each_doubt_about_the_other_kinds_is_told(one: Rule, said: str) -> None:
    """What can never fire or clear, windows shorter than readings, conditions that never hold."""
    (warning,) = warnings(one)
    assert f"alarms.{one.name}.{said}" in warning


HOTTER = rule(HOT, on_delay_ms=10 * MIN)
LESS = rule(WARM, name="bedding-warm", setpoint=27.0, priority=Priority.MEDIUM)


def test_an_alarm_that_cannot_speak_for_another_is_doubted() -> None:
    """Less urgent than the other, or giving way to it in turn: then both are told, and a lab should know."""
    warm = rule(LESS, gives_way_to=("bedding-hot",))
    assert warnings(warm, HOTTER) == []
    less = warnings(rule(warm, priority=Priority.HIGH), rule(HOTTER, priority=Priority.LOW))
    (said,) = [one for one in less if "gives_way_to" in one]
    assert said.endswith("gives_way_to: warning: 'bedding-hot' is only low, so it does not speak for this one")
    said, other = (one for one in warnings(warm, rule(HOTTER, gives_way_to=("bedding-warm",))) if "gives_way" in one)
    assert said.endswith("'bedding-hot' gives way to this one too, so it does not speak for this one")
    assert other.startswith(HOTTER.source)


def test_a_name_that_is_no_alarm_is_doubted_where_the_lab_gave_it() -> None:
    """What ships may name an alarm that the lab has switched off."""
    warm = rule(LESS, gives_way_to=("bedding-hott",))
    assert rule_doubts([warm, HOTTER], quillbrook()) == []
    found = [one.message for one in rule_doubts([warm, HOTTER], quillbrook(), {warm.name: None})]
    assert found == ["gives way to 'bedding-hott', which is no alarm in force; did you mean 'bedding-hot'?"]


@pytest.mark.parametrize(
    ("text", "us", "bare"),
    [
        ("They die at 35 degC, or at 2 °C.", True, "35 degC, 2 °C"),
        ("Add 0.25 L at 8 in the morning.", True, "0.25 L"),
        ("They die at {35 degC}, within 2 h, at 50 %.", True, ""),
        ("They die at 95 degF.", True, ""),
        ("Cool below 80-85 degF and add 1 qt.", False, "80-85 degF, 1 qt"),
        ("Cool below 30 degC, 2 m from the window.", False, ""),
    ],
)
def test_a_quantity_that_a_text_of_the_lab_says_in_other_units_is_told(text: str, us: bool, bare: str) -> None:
    """In its own texts alone, and only where everything else is shown in the other units."""
    lab = replace(quillbrook(), us_units=us)
    own = rule(WARM, consequence=text)
    said = [doubt.message for doubt in rule_doubts([own], lab, {own.name: WARM}) if doubt.field == "consequence"]
    whole = f"{bare} is read as it stands; in braces, like {{35 degC}}, in the units of this lab"
    assert said == ([whole] if bare else [])
    assert rule_doubts([own], lab, {own.name: own}) == rule_doubts([own], lab) == []
