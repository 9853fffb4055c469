"""The rule sets that ship: levels in order, figures as they were reasoned, files as editors want them."""

import re

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from collector.alarms.model import Kind, Priority, Rule, Weekly
from collector.alarms.places import about_broker
from collector.brew.oxygen import saturations_mg_l
from collector.config.lab_file import read_lab
from collector.config.lab_template import LAB_TEMPLATE
from collector.config.rules.check import rule_doubts
from collector.config.rules.fields import rules_schema
from collector.config.yaml.text import read_yaml
from collector.domain.diary import BREW_WINDOW_MS, USE_WITHIN_MS
from collector.domain.lab import Lab
from collector.domain.squeeze import PROBE_BANDS
from collector.domain.units import MEASURES, OWN
from tests.alarms.bench_lab import MIN, quillbrook
from tests.alarms.shipped_sets import BEDDING, FILES, FOLDER, OWNS, RULES, TEA, TEXTS, H, of_file

EVERY_MS = 60_000
LOOKING_BACK = (Kind.DEVIATION, Kind.RATE, Kind.FORECAST, Kind.SUSPECT, Kind.DISCREPANCY)


@pytest.fixture(params=list(RULES.values()), ids=list(RULES))
def alarm(request: pytest.FixtureRequest) -> Rule:
    """Each shipped alarm in turn."""
    assert isinstance(request.param, Rule)
    return request.param


def test_every_file_that_ships_is_looked_at() -> None:
    """A set that is added here is tested here."""
    assert {path.name for path in FOLDER.glob("*.yaml")} == set(FILES)


def test_the_alarms_that_ship() -> None:
    """These and no others: a name that vanishes would silently leave something unwatched."""
    assert {name: (rule.kind.value, rule.setpoint) for name, rule in RULES.items()} == {
        "journal-damaged": ("low", 1440.0),
        "journal-unreadable": ("high", 20.0),
        "broker-forgot": ("low", 1440.0),
        "readings-not-kept": ("high", 20.0),
        "bedding-drying": ("low", 70.0),
        "bedding-dry": ("low", 60.0),
        "bedding-parched": ("low", 50.0),
        "bedding-wet": ("high", 88.0),
        "bedding-waterlogged": ("high", 90.0),
        "sump-filling": ("high", 75.0),
        "sump-full": ("high", 95.0),
        "bedding-warm": ("high", 27.0),
        "bedding-hot": ("high", 30.0),
        "bedding-cool": ("low", 12.0),
        "bedding-near-freezing": ("low", 4.0),
        "bedding-heating": ("deviation", 6.0),
        "bedding-drying-fast": ("rate", -0.6),
        "bedding-dry-ahead": ("forecast", 60.0),
        "bedding-freezing-ahead": ("forecast", 4.0),
        "heat-wave-ahead": ("forecast", 29.0),
        "squeeze-disagrees": ("discrepancy", 2.0),
        "tea-air-stopped": ("low", 1.0),
        "tea-air-unknown": ("silent", 5.0 * MIN),
        "tea-oxygen-low": ("low", 6.0),
        "tea-oxygen-share-low": ("low", 65.0),
        "tea-warm": ("high", 26.0),
        "tea-cold": ("low", 15.0),
        "tea-window-over": ("overdue", 36.0 * H),
        "tea-stale": ("overdue", 4.0 * H),
        "room-air-dry": ("low", 25.0),
        "room-air-hot": ("high", 28.0),
        "room-air-cold": ("low", 10.0),
        "probe-silent": ("silent", 30.0 * MIN),
        "probe-doubtful": ("suspect", 30.0),
        "probe-out-of-bedding": ("suspect", 80.0),
        "probe-battery-low": ("low", 3.3),
        "broker-lost": ("silent", 10.0 * MIN),
        "disk-low": ("low", 500.0),
        "storing-stopped": ("high", 500.0),
        "mail-failing": ("high", 60.0),
        "clock-jumped": ("high", 60.0),
        "restarted-often": ("high", 4.0),
    }


def test_every_kind_ships() -> None:
    """A maintainer finds an example of each."""
    assert {rule.kind for rule in RULES.values()} == set(Kind)


# ---- figures -----------------------------------------------------------------------------------------------------


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


@pytest.mark.parametrize(
    ("ahead", "level"),
    [
        ("bedding-dry-ahead", "bedding-dry"),
        ("bedding-freezing-ahead", "bedding-near-freezing"),
    ],
)
def test_what_is_foreseen_is_the_level_that_harms(ahead: str, level: str) -> None:
    """A forecast looks towards the second level of its measure, and never says more than that level would."""
    coming, there = RULES[ahead], RULES[level]
    assert (coming.measure, coming.toward, coming.setpoint) == (there.measure, there.kind.value, there.setpoint)
    assert list(Priority).index(coming.priority) <= list(Priority).index(there.priority)


def test_the_weekend_is_foreseen_from_friday_on() -> None:
    """Three windows before Monday 08:00 is Friday 08:00: farther than that no line is drawn."""
    rule = RULES["bedding-dry-ahead"]
    assert rule.by == Weekly(0, 8 * 60)
    assert 3 * rule.window_ms == 72 * H


_LEAST = {
    "temperature": 0.5,
    "percent": 2.0,
    "humidity": 3.0,
    "oxygen": 0.2,
    "voltage": 0.1,
    "switch": -0.5,
    "count": 1.0,
    "storage": 50.0,
    "minutes": 10.0,
    "seconds": 0.0,
}
_LEAST_OF = {"bedding-drying-fast": 0.1, "squeeze-disagrees": 1.0, "probe-doubtful": 5.0}
"""A change per hour, a distance from a band, a share."""


def test_deadbands_and_delays_hold_noise_off(alarm: Rule) -> None:
    """Deadbands wider than the noise of the measure, delays of two reporting intervals at least."""
    if alarm.kind is Kind.OVERDUE:
        return
    if alarm.kind is Kind.SILENT:
        assert alarm.setpoint + alarm.on_delay_ms >= 2 * EVERY_MS
        return
    least = _LEAST_OF.get(alarm.name)
    assert alarm.deadband >= (_LEAST[MEASURES[alarm.measure].dimension] if least is None else least)
    every_ms = EVERY_MS // 2 if alarm.measure == "air_pump" else EVERY_MS
    assert min(alarm.on_delay_ms, alarm.off_delay_ms) >= 2 * every_ms


def test_delays_suit_what_they_wait_for(alarm: Rule) -> None:
    """Bedding and its room are waited for in quarter hours or longer, save at the levels that kill; tea in minutes."""
    if alarm.name in TEA and alarm.kind is not Kind.OVERDUE:
        limit = 30 * MIN if alarm.measure == "tea_temperature" else 5 * MIN
        assert alarm.on_delay_ms + (alarm.setpoint if alarm.kind is Kind.SILENT else 0) <= limit
    if alarm.name in BEDDING:
        assert alarm.on_delay_ms >= (10 * MIN if alarm.priority is Priority.HIGH else 15 * MIN)


def test_delays_are_short_against_the_time_to_respond(alarm: Rule) -> None:
    """Waiting to be sure takes no more than a tenth of the time there is; a fifth, where what is judged looks back or
    ahead, and a third, where there is only a quarter of an hour."""
    waits = alarm.on_delay_ms + (alarm.setpoint if alarm.kind is Kind.SILENT else 0)
    share = 3 if alarm.time_to_respond_ms < H else 5 if alarm.kind in LOOKING_BACK else 10
    assert waits <= alarm.time_to_respond_ms / share


def test_few_alarms_are_of_high_priority() -> None:
    """High is kept for what kills worms within a day, spoils a brew within the hour or puts water on a floor: fewer
    than one in five."""
    high = {name for name, rule in RULES.items() if rule.priority is Priority.HIGH}
    assert high == {
        "bedding-parched",
        "bedding-hot",
        "bedding-near-freezing",
        "bedding-freezing-ahead",
        "tea-air-stopped",
        "tea-oxygen-low",
        "sump-full",
    }
    assert len(high) < len(RULES) / 5


def test_bands_stay_inside_what_every_source_accepts() -> None:
    """Check values of the sources: 4-30 degC and 60-90 % are the limits they share; 15-25 degC, 75-85 % are quiet. What
    wakes people for a dry tray is the 50 % that one of them lets worms survive (Edwards 1988, as FAO 2011 has it)."""
    assert RULES["bedding-parched"].setpoint == 50.0
    limits = {"bedding_temperature": (4.0, 30.0, 15.0, 25.0), "bedding_moisture": (60.0, 90.0, 75.0, 85.0)}
    for rule in RULES.values():
        if rule.measure in limits and rule.kind in (Kind.HIGH, Kind.LOW, Kind.FORECAST):
            low, high, calm_low, calm_high = limits[rule.measure]
            assert low <= rule.setpoint <= high or rule.name == "bedding-parched"
            quiet = rule.setpoint < calm_low if "low" in (rule.kind, rule.toward) else rule.setpoint > calm_high
            assert quiet, rule.name


def test_an_hour_after_watering_moisture_is_left_alone() -> None:
    """Each alarm about moisture waits while noted water spreads; those that look back wait until that is past."""
    for rule in BEDDING.values():
        if rule.measure == "bedding_moisture" and rule.kind is not Kind.DISCREPANCY:
            (waits,) = (one.within_ms for one in rule.not_while if str(one).startswith("watered"))
            assert waits == {Kind.RATE: 12 * H, Kind.FORECAST: 18 * H}.get(rule.kind, H), rule.name


def test_tea_is_watched_only_while_it_is_brewing() -> None:
    """An empty brewer alarms nobody; what counts from the brew itself needs no condition."""
    for rule in TEA.values():
        assert [str(one) for one in rule.only_while] == ([] if rule.kind is Kind.OVERDUE else ["brew running"])


def test_tea_figures_are_those_that_brew_show_tells() -> None:
    """The alarms and `traywarden brew show` agree on the window and the use-by."""
    assert RULES["tea-window-over"].setpoint == BREW_WINDOW_MS[1]
    assert RULES["tea-stale"].setpoint == USE_WITHIN_MS[0]
    assert RULES["tea-stale"].setpoint + RULES["tea-stale"].time_to_respond_ms == USE_WITHIN_MS[1]


@pytest.mark.parametrize(("temp_c", "percent"), [(20, 66), (25, 73), (26, 74), (30, 79)])
def test_shares_of_saturation_in_the_texts_are_right(temp_c: float, percent: int) -> None:
    """6 mg/L as a share of what water holds at 1 atm (Benson and Krause 1984)."""
    assert round(600 / saturations_mg_l(np.array([temp_c], np.float64))[0]) == percent
    said = RULES["tea-oxygen-low"].basis + RULES["tea-warm"].basis
    assert re.search(rf"{percent} %.{{0,30}}{temp_c} degC|{temp_c} degC.{{0,70}}?{percent} %", said)


def test_each_own_measure_has_its_alarm() -> None:
    """What the collector knows of itself is watched, each thing once."""
    assert sorted(rule.measure for rule in OWNS.values() if rule.measure) == sorted(OWN)


# ---- files -------------------------------------------------------------------------------------------------------


def test_the_broker_alarm_is_about_the_broker_and_the_others_hold_everywhere() -> None:
    """Shipped rules name no place of any one lab: only the room and the broker, which are the same in all."""
    assert [name for name, rule in RULES.items() if about_broker(rule)] == ["broker-lost"]
    named = {name: rule.where for name, rule in RULES.items() if rule.where}
    assert set(named.values()) == {("room",), ("broker",)}
    assert {name for name, where in named.items() if where == ("room",)} == {*of_file("room"), "heat-wave-ahead"}
    assert [rule.against for rule in RULES.values() if rule.kind is Kind.DEVIATION] == ["air_temperature at room"]


@pytest.mark.parametrize("lab", [quillbrook(), read_lab(LAB_TEMPLATE)], ids=["trays alone", "the lab init writes"])
def test_the_usual_lab_gets_no_warning(lab: Lab) -> None:
    """In a lab whose probes report each minute or so the shipped sets leave nothing to say."""
    names_room = {rule.name for rule in RULES.values() if rule.where == ("room",)}
    used = [rule for rule in RULES.values() if rule.name not in names_room or "kettle" in lab.by_id]
    assert rule_doubts(used, lab) == []


@pytest.mark.parametrize("name", FILES)
def test_editors_accept_the_shipped_files(name: str) -> None:
    """The JSON Schema fits what ships."""
    data = read_yaml(TEXTS[f"rules/{name}"], name).data
    assert [error.message for error in Draft202012Validator(rules_schema()).iter_errors(data)] == []


@pytest.mark.parametrize("name", FILES)
def test_every_set_says_at_its_head_what_it_is(name: str) -> None:
    """A comment in front of the alarms, for whoever opens the file."""
    assert len(TEXTS[f"rules/{name}"].partition("\nalarms:")[0]) > 100


def test_hand_against_probe_is_judged_by_one_set_of_bands() -> None:
    """The alarm that they disagree, and the advice on water that waits for the hand then, go by the same ends."""
    shipped = {band.feel: (band.low, band.high) for band in RULES["squeeze-disagrees"].bands}
    assert shipped == PROBE_BANDS
