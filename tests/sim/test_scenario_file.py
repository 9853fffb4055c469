"""Scenario files: what is read, and that every slip is told with its line and what would be right."""

import re

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_sensors import mishap_file, people_file, scenario_file, scenarios
from sim_sensors.faults import Kind
from sim_sensors.sections import BadScenario

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


@pytest.mark.parametrize("name", scenarios.names())
def test_shipped_scenarios_load(name: str) -> None:
    """Every scenario that ships is a good one."""
    assert scenarios.load(name).name == name


def test_no_shipped_scenario_of_that_name() -> None:
    """An unknown name is a KeyError, and a lab file is not a scenario."""
    with pytest.raises(KeyError):
        scenarios.load("school-demo.lab")


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
        ("title: " + "[" * 5_000, "not YAML"),
    ],
)
def test_what_is_no_scenario_at_all(text: str, told: str) -> None:
    """Files that are empty, broken, or something else are refused in a line."""
    assert any(told in line for line in problems(text))


KEYS = st.sampled_from(["title", "room", "bins", "care", "faults", "trays", "kind", "day", "x"])
TREES = st.recursive(
    st.none() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=20,
)


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
