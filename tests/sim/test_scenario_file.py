"""Scenario files: what is read, and that every slip is told with its line and what would be right."""

import re

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_sensors import mishap_file, people_file, scenario_file, scenarios
from sim_sensors.faults import Kind
from sim_sensors.physics.room import Outside
from sim_sensors.sections import BadScenario
from tests.sim.eventful import eventful
from tests.worlds.strategies import trees

GOOD = """\
title: A try
room: {day: 21 degC, night: 17 degC, humidity: 45 %RH}
bins:
  juniper:
    trays:
      top: {wet_mass: 6 kg, moisture: 75 %, temperature: 20 degC}
brewers:
  kettle: {volume: 20 L, temperature: 21 degC, oxygen: 7.5 mg/L, uptake: 12 mg/L/h}
care:
  - {at: 5 h, place: juniper/top, water: 1 L}
faults:
  - {kind: dry_out, place: juniper/top, from: 0 min, for: 5 h, air_speed: 2 m/s}
"""


def problems(text: str) -> list[str]:
    with pytest.raises(BadScenario) as refused:
        scenario_file.parse(text, "try", "try.yaml")
    return [str(p) for p in refused.value.problems]


def test_a_good_file_is_read() -> None:
    """Quantities arrive in the units used inside, defaults where nothing is written."""
    got = scenario_file.parse(GOOD, "try", "try.yaml")
    assert [probe.place for probe in got.probes] == ["juniper/top", "room", "kettle"]
    assert got.trays[0].start.moisture_pct == pytest.approx(75)
    assert got.trays[0].start.temp_c == pytest.approx(20)
    assert got.care[0].at_ms == 5 * 3_600_000
    assert (got.faults[0].kind, got.faults[0].end_ms, got.faults[0].speed_m_s) == (Kind.DRY_OUT, 18_000_000, 2.0)
    assert (got.length_ms, got.every_ms, got.room_start_c) == (86_400_000, 60_000, None)


def test_all_there_is_to_write_is_read() -> None:
    """Every kind of fault, brew and routine arrives as it is written."""
    got = eventful()
    assert {fault.kind for fault in got.faults} == set(Kind)
    by_kind = {fault.kind: fault for fault in got.faults}
    wave, cold, weak = by_kind[Kind.HEAT_WAVE], by_kind[Kind.HEATING_OFF], by_kind[Kind.PUMP_WEAK]
    assert (wave.place, wave.temp_c, cold.temp_c, cold.lag_h, weak.strength) == ("room", 36, -8, 3, 0.3)
    assert (by_kind[Kind.FLOOD].water_kg, by_kind[Kind.DRY_AIR].humidity_pct, by_kind[Kind.HEAT].mixed) == (12, 12, 0.5)
    assert (got.step_ms, got.states_ms, got.doubling_d) == (300_000, 3_600_000, 75)
    assert got.room.school.holidays == (((3, 16), (3, 17)),)
    assert got.room.outside == Outside(10, 9)
    assert got.trays[0].start.worms_kg == pytest.approx(2.5 * 0.165)
    assert [(one.name, one.sump_kg, one.start_kg) for one in got.bins] == [("juniper", 1, 0.2), ("maple", 2, 0)]
    assert [(brew.lasts_ms, brew.used_after_ms, brew.food_g_l) for brew in got.brews] == [
        (86_400_000, 7_200_000, n) for n in (1, 2)
    ]
    assert got.routine[0].feed_on == {0, 3}
    assert (got.routine[2].at_ms, got.routine[3].empty_above_pct) == (9 * 3_600_000, 50)
    assert got.care[2].empty


@pytest.mark.parametrize("name", scenarios.names())
def test_shipped_scenarios_load(name: str) -> None:
    """Every scenario that ships is a good one."""
    assert scenarios.load(name).name == name


def test_no_shipped_scenario_of_that_name() -> None:
    """An unknown name is a KeyError, and a lab file is not a scenario."""
    with pytest.raises(KeyError):
        scenarios.load("school-demo.lab")


AT = "place: juniper/top"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("title: A try", "titel: A try", "try.yaml:1:1 titel: unknown key 'titel'; did you mean 'title'?"),
        ("title: A try", "every: 60 s", "try.yaml:1:1 title: 'title' is missing"),
        ("day: 21 degC", "day: 21", "try.yaml:2:13 room.day: '21' is not a quantity in degC; write it like '20 degC'"),
        ("day: 21 degC", "day: 91 degC", "try.yaml:2:13 room.day: '91 degC' is out of range; 0 to 45 degC"),
        (
            "75 %",
            "7.5",
            "try.yaml:6:39 bins.juniper.trays.top.moisture: '7.5' is not a quantity in %; write it like '75 %'",
        ),
        (
            "juniper:",
            "Juniper Bin:",
            "try.yaml:4:3 bins: 'Juniper Bin' cannot be a name; use small letters, digits and",
        ),
        ("juniper:", "room:", "try.yaml:5:5 bins.room: 'room' is the room; give the bin another name"),
        ("kind: dry_out", "kind: dryout", "try.yaml:12:12 faults[0].kind: no fault 'dryout'; did you mean 'dry_out'?"),
        (
            "place: juniper/top, from",
            "place: juniper/tip, from",
            "try.yaml:12:28 faults[0].place: no place for dry_out 'juniper/tip'; did you mean 'juniper/top'?",
        ),
        (
            "dry_out, place: juniper/top",
            "pump_stop, place: juniper/top",
            "faults[0].place: no place for pump_stop 'juniper/top'; use one of: kettle",
        ),
        ("for: 5 h, ", "", "try.yaml:12:5 faults[0].for: 'for' is missing; write it like 'for: 30 min'"),
        ("for: 5 h", "for: 0 h", "faults[0].for: '0 h' is too small; 60 s or more"),
        ("water: 1 L", "water: 1 L, feed: 1 kg", "try.yaml:10:5 care[0]: give either 'water: 1 L' or 'feed: 0.5 kg'"),
        ("kind: dry_out", "kind: unplugged", "faults[0].air_speed: unknown key 'air_speed'"),
        ("uptake: 12 mg/L/h", "uptake: 1e999 mg/L/h", "brewers.kettle.uptake: '1e999 mg/L/h' is too large"),
        ("  kettle:", "  kettle: {}\n  kettle:", "'kettle' stands here twice; keep one"),
        ("bins:", "bins: 3\nextra:", "try.yaml:3:7 bins: expected a mapping of 'key: value' lines"),
        ("care:", "care: 3\nmore:", "try.yaml:9:7 care: expected a list of '- key: value' items"),
        ("title: A try", "title: [1]", "try.yaml:1:8 title: expected text"),
        ("kind: dry_out", "kind: []", "faults[0].kind: expected text"),
        ("title: A try", "title: A try\nstates: 45 s", "states: the time between states must be whole steps of 30 s"),
        ("title: A try", "title: A try\nholidays: [12-21]", "'12-21' is no span of days; write it like '12-21 to"),
        ("title: A try", "title: A try\nholidays: [02-30 to 03-01]", "'02-30 to 03-01' is no span of days"),
        ("title: A try", "title: A try\nholidays: 3", "holidays: expected a list, like '[a, b]'"),
        ("title: A try", "title: A try\nholidays: [[1]]", "holidays: expected a list, like '[a, b]'"),
        ("45 %RH}", "45 %RH, season: 9 degC}", "room.season: 'season' needs 'outside: 10 degC', the mean of the year"),
        ("  kettle:", "  room:", "brewers.room: 'room' is the room; give the brewer another name"),
        ("75 %, temp", "75 %, holds: 8, full: 7, temp", "top.full: '7' is out of range; 8 to 40"),
        ("      top:", "      {}\nmore:\n      top:", "juniper.trays: a bin needs a tray"),
        ("water: 1 L", "empty: yes", "care[0].place: no bin 'juniper/top'"),
        ("water: 1 L", "empty: maybe", "care[0].empty: 'maybe' is neither yes nor no"),
        ("kind: dry_out", "kind: heat_wave", "faults[0].place: no place for heat_wave 'juniper/top'; use one of: room"),
        ("kind: dry_out", "kind: flood", "faults[0].water: 'water' is missing; write it like 'water: 20 L'"),
        ("care:", f"routine: [{{{AT}, dry_below: 70 %}}]\ncare:", "'dry_below' and 'water_to' belong together"),
        ("care:", f"routine: [{{{AT}, dry_below: 70 %, water_to: 60 %}}]\ncare:", "the first below the second"),
        ("care:", f"routine: [{{{AT}}}]\ncare:", "routine[0]: give 'dry_below: 70 %' with 'water_to: 78 %', or"),
        ("care:", f"routine: [{{{AT}, feed: 1 g, feed_on: mon sat}}]\ncare:", "no school day 'sat'"),
        ("care:", f"routine: [{{{AT}, empty_above: 50 %}}]\ncare:", "routine[0].place: no bin 'juniper/top'"),
        (
            "care:",
            "brews: [{at: 1 d, place: kettle}, {at: 2 d, place: kettle}]\ncare:",
            "brews[1].at: the brew before it is not used yet; write brews in the order of their times",
        ),
    ],
)
def test_slips_are_told(old: str, new: str, told: str) -> None:
    """Each slip names file, line, column, field and what would be right."""
    assert GOOD.count(old) >= 1
    assert any(told in line for line in problems(GOOD.replace(old, new, 1))), problems(GOOD.replace(old, new, 1))


@pytest.mark.parametrize("value", ["12", "-126"])
def test_only_real_sentinels(value: str) -> None:
    """A sentinel is one of the two values the probe really sends."""
    bad = GOOD.replace("kind: dry_out", f"kind: sentinel, value: {value}").replace(", air_speed: 2 m/s", "")
    told = "try.yaml:12:29 faults[0].value: a DS18B20 sends -127 (no contact) or 85 (just powered up)"
    assert problems(bad) == [told]


def test_all_slips_come_at_once() -> None:
    """Five slips give five lines, in the order of the file."""
    bad = GOOD
    for old, new in [
        ("day: 21 degC", "day: warm"), ("6 kg", "6 stone"), ("20 L", "20"), ("5 h, place", "soon, place"),
        ("2 m/s", "2"),
    ]:  # fmt: skip
        bad = bad.replace(old, new, 1)
    lines = problems(bad)
    assert [int(line.split(":")[1]) for line in lines] == [2, 6, 8, 10, 12]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "try.yaml:1:1 the file is empty; begin with 'title: ...'"),
        ("title: [", "try.yaml:1:9 not YAML: "),
        ("- a\n- b\n", "try.yaml:1:1 expected a mapping of 'key: value' lines"),
        ("title: \x00", "not YAML"),
        ("title: " + "[" * 1_000, "not YAML"),
    ],
)
def test_what_is_no_scenario_at_all(text: str, told: str) -> None:
    """Files that are empty, broken, or something else are refused in a line."""
    assert any(told in line for line in problems(text))


KEYS = st.sampled_from(["title", "room", "bins", "care", "faults", "trays", "kind", "day", "x"])
TREES = trees(st.none() | st.integers() | st.text(max_size=8), KEYS, wide=4)


@settings(max_examples=60, deadline=None)
@given(TREES)
def test_any_yaml_is_read_or_refused(tree: object) -> None:
    """No tree of values makes the reader fail otherwise than by refusing it."""
    assert problems(yaml.safe_dump(tree, allow_unicode=True))


def test_the_documented_keys_are_the_ones_read() -> None:
    """Each key the reader takes stands in the documentation at the head of its module."""
    heads = "".join(module.__doc__ or "" for module in (scenario_file, people_file, mishap_file))
    documented = {key for line in heads.splitlines() for key in re.findall(r"([a-z_]+):", line)}
    read = {
        *scenario_file.TOP_KEYS, *scenario_file.ROOM_KEYS, *scenario_file.TRAY_KEYS, *scenario_file.BREWER_KEYS,
        *scenario_file.BIN_KEYS, *people_file.BREW_KEYS, *people_file.CARE_KEYS, *people_file.TRAY_ROUTINE_KEYS,
        *people_file.BIN_ROUTINE_KEYS, *mishap_file.FAULT_KEYS,
        *(k for keys in mishap_file.KIND_KEYS.values() for k in keys),
    }  # fmt: skip
    assert read - documented == set()
