"""The `probes` section of scenario files and faults of probes: what is read, and that every slip is told."""

import pytest

from sim_sensors import probe_file, scenario_file, scenarios
from sim_sensors.probe_faults import Kind
from sim_sensors.probe_setup import Format, Spot
from sim_sensors.sections import BadScenario
from tests.sim.small import HOUR_MS, small_lab, small_text

USUAL = ["juniper-top", "juniper-bottom", "room-air", "kettle-tea"]


def problems(probes: str = "", faults: str = "") -> list[str]:
    with pytest.raises(BadScenario) as refused:
        scenario_file.parse(small_text(probes, faults), "small", "small.yaml")
    return [str(problem) for problem in refused.value.problems]


def test_the_usual_probes() -> None:
    """One in each tray, one in the room, one in each brewer, on topics of their places, as SenML."""
    probes = small_lab().probes
    assert [probe.key for probe in probes] == USUAL
    assert [probe.topic for probe in probes] == [f"worms/{probe.place}" for probe in probes]
    assert {probe.format for probe in probes} == {Format.SENML}
    assert [[channel.name for channel in probe.channels] for probe in probes[1:]] == [
        ["temperature", "moisture", "battery"],
        ["air-temperature", "humidity"],
        ["temperature", "oxygen", "pump"],
    ]
    assert {(probe.every_ms, probe.jitter_ms, probe.clock_ms) for probe in probes} == {(60_000, 2_000, 0)}


def test_probes_are_changed_taken_away_and_added() -> None:
    """What an entry says changes a usual probe; `none` takes it away; another name is one more."""
    added = "extra: {place: juniper, every: 5 min, jitter: 1 min, clock: -2 h, clock_drift: 3 s, reboots: 2, noise: 3}"
    probes = {p.key: p for p in small_lab(f"room-air: none\njuniper-top: {{format: json, time: /t}}\n{added}").probes}
    assert list(probes) == ["juniper-top", "juniper-bottom", "kettle-tea", "extra"]
    assert (probes["juniper-top"].format, probes["juniper-top"].time_pointer) == (Format.JSON, "/t")
    extra = probes["extra"]
    assert (extra.spot, extra.topic, extra.channels[0].name) == (Spot.BIN, "worms/juniper/extra", "leachate")
    assert (extra.every_ms, extra.jitter_ms, extra.clock_ms, extra.clock_gain_ms_day) == (
        300_000,
        60_000,
        -2 * HOUR_MS,
        3000,
    )
    assert (extra.reboots_month, extra.noise) == (2, 3)


def test_channels_are_as_written() -> None:
    """Model, unit and pointer; an empty entry is the usual channel."""
    channels = "{temperature: {model: dht22, unit: degF, pointer: /t/c}, battery: }"
    text = f"more: {{place: juniper/top, format: json, channels: {channels}}}"
    first, second = small_lab(text).probes[-1].channels
    assert (first.model, first.unit, first.pointer) == ("dht22", "degF", "/t/c")
    assert (second.model, second.unit, second.pointer) == ("cell", "V", "/battery")


def test_short_intervals_have_less_jitter() -> None:
    """A fifth of the interval where 2 s would be too much."""
    assert small_lab("juniper-top: {every: 5 s}").probes[0].jitter_ms == 1000


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("a: {}", "probes.a.place: 'place' is missing"),
        ("a: {place: juniper/tip}", "'juniper/tip' is not a place; did you mean 'juniper/top'?"),
        ("a: none", "probes.a: there is no usual probe 'a' to take away"),
        ("room-air: {foramt: json}", "unknown key 'foramt'; did you mean 'format'?"),
        ("room-air: {format: xml}", "probes.room-air.format: 'xml' is not a format"),
        ("room-air: {format: number}", "a bare number holds one channel; name it under 'channels'"),
        ("room-air: {channels: {moisture: }}", "a room has no 'moisture' to measure"),
        ("room-air: {channels: {}}", "name at least one channel"),
        ("room-air: {channels: 3}", "expected a mapping"),
        ("room-air: {channels: {humidity: {unit: percent}}}", "'percent' is not a unit"),
        ('room-air: {channels: {humidity: {unit: "%"}}}', "'%' is not a unit of SenML; use '%RH'"),
        ("room-air: {channels: {humidity: {model: sht}}}", "'sht' is not a model; did you mean 'sht3x'?"),
        ("room-air: {channels: {humidity: {pointer: /h}}}", "only format json has pointers"),
        ("room-air: {time: /t}", "only format json has a pointer to its time"),
        ("room-air: {format: json, time: t}", "'t' is not a JSON Pointer"),
        ("room-air: {format: json, time: /a~2}", "'/a~2' is not a JSON Pointer"),
        ("room-air: {format: json, time: /humidity}", "two pointers meet at '/humidity'"),
        ("room-air: {format: json, time: /humidity/at}", "two pointers meet at '/humidity'"),
        ("room-air: {topic: worms/#}", "'worms/#' is not a topic to publish to"),
        ("room-air: {topic: worms/kettle, format: json}", "share a topic; only SenML tells probes apart"),
        ("room-air: {every: 0.5 s}", "'0.5 s' is out of range; 1 to 86400 s"),
        ("room-air: {jitter: 20 s}", "'20 s' is out of range; 0 to 15 s"),
        ("room-air: {clock: soon}", "'soon' is not a quantity in"),
        ("room-air: {duplicates: 120 %}", "'120 %' is out of range; 0 to 100 %"),
        ("room-air: {retain: maybe}", "'maybe' is not a retain; use one of: no, yes"),
        ("room-air: 3", "expected a mapping"),
    ],
)
def test_slips_in_probes_are_told(line: str, told: str) -> None:
    """Each names file, line, column, field and what would be right."""
    found = problems(line)
    assert any(told in one and one.startswith("small.yaml:1") for one in found), found


def test_faults_concern_the_probes_they_name() -> None:
    """One probe, every probe at a place, all trays of a bin, or all there are."""
    lines = """\
- {kind: stuck, probe: room-air, from: 1 h, for: 30 min, channel: humidity}
- {kind: unplugged, place: juniper/top, from: 0 min, for: 1 h}
- {kind: sentinel, place: juniper, from: 0 min, for: 1 h, value: 85}
- {kind: gateway_outage, from: 0 min, for: 1 h}
"""
    faults = small_lab("", lines).probe_faults
    assert [fault.probe for fault in faults] == ["room-air", "juniper-top", "juniper-top", "juniper-bottom", *USUAL]
    first = faults[0]
    assert (first.kind, first.place, first.channel) == (Kind.STUCK, "room", "humidity")
    assert (first.begin_ms, first.end_ms) == (HOUR_MS, HOUR_MS * 3 // 2)
    assert faults[2].value == 85


def test_what_only_some_faults_take() -> None:
    """Sizes, shares and times arrive in the units used inside."""
    lines = """\
- {kind: spike, probe: juniper-top, from: 0 min, for: 1 h, channel: moisture, size: 50, share: 10 %}
- {kind: drift, probe: juniper-top, from: 0 min, for: 1 h, channel: temperature, size: -2}
- {kind: wrong_calibration, probe: juniper-top, from: 0 min, for: 1 h, channel: moisture, factor: 0.9, offset: 10}
- {kind: flaky_radio, probe: juniper-top, from: 0 min, for: 1 h, lost: 5 %, late: 15 %, late_by: 2 min}
- {kind: reboots, probe: juniper-top, from: 0 min, for: 1 h, every: 5 min}
"""
    spike, drift, wrong, flaky, reboots = small_lab("", lines).probe_faults
    assert [spike.size, spike.share, drift.size] == [50, pytest.approx(0.1), -2]
    assert (wrong.factor, wrong.offset) == (0.9, 10)
    assert [flaky.lost, flaky.late, flaky.late_by_ms] == [pytest.approx(0.05), pytest.approx(0.15), 120_000]
    assert reboots.every_ms == 300_000


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("{kind: unpluged, place: room, from: 0 min, for: 1 h}", "no fault 'unpluged'; did you mean 'unplugged'?"),
        ("{kind: stuck, from: 0 min, for: 1 h}", "faults[0].probe: 'probe' or 'place' is missing"),
        ("{kind: stuck, probe: room, from: 0 min, for: 1 h}", "'room' is not a probe; did you mean 'room-air'?"),
        ("{kind: stuck, place: rooom, from: 0 min, for: 1 h}", "'rooom' is not a place; did you mean 'room'?"),
        ("{kind: stuck, place: room, from: 0 min}", "faults[0].for: 'for' is missing"),
        ("{kind: stuck, place: room, from: 0 min, for: 1 h, channel: pump}", "'pump' is not a channel"),
        (
            "{kind: spike, place: room, from: 0 min, for: 1 h, size: 5}",
            "'channel' is missing; say which reading is off",
        ),
        ("{kind: drift, place: kettle, from: 0 min, for: 1 h, size: 5, channel: pump}", "'pump' is not a channel"),
        ("{kind: sentinel, place: room, from: 0 min, for: 1 h}", "no probe there that sentinel could happen to"),
        ("{kind: in_pocket, place: kettle, from: 0 min, for: 1 h}", "no probe there that in_pocket could happen to"),
        (
            "{kind: sentinel, place: kettle, from: 0 min, for: 1 h, value: 12}",
            "a DS18B20 sends -127 (no contact) or 85",
        ),
        ("{kind: stuck, place: room, from: 0 min, for: 1 h, size: 3}", "unknown key 'size'"),
    ],
)
def test_slips_in_faults_are_told(line: str, told: str) -> None:
    """Each names the field and what would be right."""
    found = problems("", f"- {line}")
    assert any(told in one for one in found), found


def test_the_documented_keys_are_the_ones_read() -> None:
    """Each key and each fault stands in the documentation at the head of the module."""
    documented = probe_file.__doc__ or ""
    starts = {line.strip().removeprefix("- ").split(":")[0] for line in documented.splitlines()}
    read = {*probe_file.PROBE_KEYS, *probe_file.CHANNEL_KEYS, *probe_file.FAULT_KEYS}
    read |= {key for keys in probe_file.KIND_KEYS.values() for key in keys}
    assert read - starts == set()
    assert [kind for kind in probe_file.KINDS if kind not in documented] == []


@pytest.mark.parametrize("name", scenarios.names())
def test_shipped_scenarios_have_probes(name: str) -> None:
    """Every scenario that ships has a probe in each of its trays."""
    scenario = scenarios.load(name)
    assert {tray.place for tray in scenario.trays} <= {probe.place for probe in scenario.probes}
