"""The lab file made for a scenario, as the collector reads it."""

from dataclasses import replace
from typing import Any

import pytest

from collector.config.lab_file import read_lab
from sim_sensors import lab_file, probes, scenarios
from sim_sensors.scenario import Scenario
from tests.sim.small import START_MS, records, small_lab
from tests.sim.test_payloads import ZOO


@pytest.mark.parametrize("name", scenarios.names())
def test_every_shipped_scenario_has_a_lab_file(name: str) -> None:
    """The collector takes it, with just the probes of the scenario at their places and intervals."""
    scenario = scenarios.load(name)
    lab = read_lab(scenarios.lab_text(name))
    assert [(p.id, p.place, p.topic, p.every_ms) for p in lab.probes] == [
        (p.key, p.place, p.topic, p.every_ms) for p in scenario.probes
    ]


def test_units_are_those_sent() -> None:
    """The channels of the lab file bear the units of the packs."""
    from sim_sensors.run import run

    lab = read_lab(scenarios.lab_text())
    written = {p.topic: {c.name: c.unit for c in p.channels} for p in lab.probes}
    sent = {}
    for pack in run(scenarios.load("school-demo"), 1, START_MS, 300_000):
        sent[pack.topic] = {record["n"]: record.get("u", "on/off") for record in records(pack)}
    assert written == sent


def test_calibrations_are_the_probes_map() -> None:
    """The calibration points lie on the capacitive probe's line."""
    points = {
        (point.raw, point.value)
        for probe in read_lab(scenarios.lab_text()).probes
        for channel in probe.channels
        for calibration in channel.calibrations
        for point in calibration.points
    }
    assert len(points) == 2
    assert all(probes.adc_count(probes.counts(value)) == raw for raw, value in points)


def test_all_formats_and_odd_topics() -> None:
    """Pointers, bare numbers, a node that knows its calibration, a topic that YAML would misread, no clock."""
    odd = (
        'odd: {place: juniper/top, topic: "worms/a: {b}", format: json, clock: none, channels: {moisture: {unit: "%"}}}'
    )
    lab = read_lab(lab_file.text(small_lab(ZOO + odd)))
    assert lab.probes[-1].topic == "worms/a: {b}"
    assert [p.format.value for p in lab.probes] == ["senml", "senml-cbor", "json", "senml", "number", "json"]
    assert (lab.probes[2].time_pointer, lab.probes[-1].time_pointer) == ("/when/at", "")
    assert lab.probes[-1].channels[0].calibrations == ()


def of_room(**changed: Any) -> Scenario:
    scenario = small_lab()
    school = replace(scenario.room.school, **changed)
    return replace(scenario, room=replace(scenario.room, school=school))


@pytest.mark.parametrize(("offset_h", "zone"), [(0, "UTC"), (1, "Etc/GMT-1"), (-5, "Etc/GMT+5"), (5.5, "UTC")])
def test_the_zone_is_as_far_from_utc_as_the_room(offset_h: float, zone: str) -> None:
    """Whole hours have a zone of their own; others are left at UTC."""
    lab = read_lab(lab_file.text(of_room(utc_offset_h=offset_h)))
    assert lab.time_zone == zone


def test_hours_are_those_of_the_room() -> None:
    """People are in the lab when the heating says so; never, where it never opens."""
    assert "hours: {mon-fri: 07:30-16:00}" in lab_file.text(of_room(opens_h=7.5))
    assert read_lab(lab_file.text(of_room(opens_h=16.0))).hours is None


def test_the_altitude_comes_back_from_the_pressure() -> None:
    """As the scenario file says it; without a brewer it does not matter."""
    scenario = small_lab()
    high = replace(scenario.brewers[0], spec=replace(scenario.brewers[0].spec, pressure_atm=0.784531))
    assert "altitude: 2000 m" in lab_file.text(replace(scenario, brewers=(high,)))  # 79.495 kPa: standard atmosphere
    kept = tuple(probe for probe in scenario.probes if probe.place != "kettle")
    assert "altitude: 0 m" in lab_file.text(replace(scenario, brewers=(), probes=kept))
