"""The collector's lab.yaml for the probes of a scenario, after the file format (README), with no code of the collector.

The school around them is invented. A probe whose readings are raw counts gets the two oven samples its model rests on;
trays are weighed and sampled at the start. A seed moves what they weigh: give the scenario as `varying.varied` has it.
"""

import calendar
import json
import math
import re
from collections.abc import Iterable, Iterator
from datetime import date

from sim_sensors import senml
from sim_sensors.physics.room import Room
from sim_sensors.physics.school import MonthDay, local_day
from sim_sensors.probe_setup import SENML_FORMATS, Channel, Format, Probe, Spot
from sim_sensors.probes import DRY_POINT, WET_POINT
from sim_sensors.scenario import Scenario

MEASURES = {
    (Spot.TRAY, "temperature"): "bedding_temperature",
    (Spot.TRAY, "moisture"): "bedding_moisture",
    (Spot.BREWER, "temperature"): "tea_temperature",
    (Spot.BREWER, "oxygen"): "dissolved_oxygen",
    (Spot.BREWER, "pump"): "air_pump",
    (Spot.BIN, "leachate"): "leachate_level",
    (Spot.ROOM, "air-temperature"): "air_temperature",
    (Spot.ROOM, "humidity"): "air_humidity",
    **{(spot, "battery"): "battery" for spot in Spot},
}
"""What the collector calls each quantity, by the kind of place."""
_KNOWN_MODELS = ("ds18b20", "capacitive", "sht3x", "dht22", "oxygen", "switch")
_EPOCH = date(1970, 1, 1).toordinal()
_PLAIN = re.compile(r"[A-Za-z/][A-Za-z0-9/_.-]*")


def text(scenario: Scenario, start_ms: int | None = None) -> str:
    """lab.yaml, whole. `start_ms` is when the run begins where the scenario does not say so; without either the
    holidays are left out, since they have no year."""
    begin_ms = scenario.start_ms if start_ms is None else start_ms
    return "\n".join(_lines(scenario, begin_ms)) + "\n"


def _lines(scenario: Scenario, begin_ms: int | None) -> Iterator[str]:
    yield f"# The lab of the scenario {scenario.name}, as its probes report it."
    yield "lab:"
    yield "  name: Quillbrook School worm lab"
    yield f"  time_zone: {_zone(scenario.room)}"
    yield f"  altitude: {_altitude_m(scenario)} m"
    if scenario.room.school.opens_h < scenario.room.school.closes_h:
        yield f"  hours: {{mon-fri: {_clock(scenario.room.school.opens_h)}-{_clock(scenario.room.school.closes_h)}}}"
    holidays = _holidays(scenario, begin_ms) if begin_ms is not None else []
    if holidays:
        yield f"  holidays: [{', '.join(holidays)}]"
    yield from _places(scenario)
    yield "probes:"
    for probe in scenario.probes:
        yield from _probe(probe)
    yield "people:"
    yield "  teacher: {email: teacher@quillbrook.example, priorities: [medium, high]}"
    yield "  maintainer: {email: maintainer@quillbrook.example, turn: 3, digest: no, weekly: yes}"
    bins = ", ".join(f"{one.name}, {one.name}/*" for one in scenario.bins)
    yield "  caretaker:"
    yield f"    {{email: caretaker@quillbrook.example, priorities: [high], turn: 2, digest: no, where: [{bins}, room]}}"


def _holidays(scenario: Scenario, begin_ms: int) -> list[str]:
    """The breaks that fall into the run, with their years."""
    school = scenario.room.school
    first = date.fromordinal(_EPOCH + local_day(school, begin_ms))
    last = date.fromordinal(_EPOCH + local_day(school, begin_ms + scenario.length_ms))
    found = []
    for year in range(first.year - 1, last.year + 1):
        for begins, ends in school.holidays:
            span = _day(year, begins), _day(year + (ends < begins), ends)
            if span[0] <= last and span[1] >= first:
                found.append(span)
    return [f"{begin} to {end}" for begin, end in sorted(found)]


def _day(year: int, month_day: MonthDay) -> date:
    """That day of a year; 29 February is the 28th where there is none."""
    month, day = month_day
    return date(year, month, 28 if month_day == (2, 29) and not calendar.isleap(year) else day)


def _places(scenario: Scenario) -> Iterator[str]:
    yield "bins:"
    seen = None
    for tray in scenario.trays:
        if tray.bin != seen:
            seen = tray.bin
            yield f"  {tray.bin}:"
            yield "    trays:"
        bed = tray.start
        weighed = f"bedding: {bed.dry_kg + bed.water_kg:.2f} kg, moisture: {bed.moisture_pct:.1f} %"
        yield f"      {tray.tray}: {{area: {tray.spec.area_m2:g} m2, {weighed}}}"
    if scenario.brewers:
        yield "brewers:"
    for brewer in scenario.brewers:
        yield f"  {brewer.place}: {{volume: {brewer.spec.volume_l:g} L}}"
    yield "planters:"
    yield "  planter-1: {name: Planter 1, length: 1.5 m, width: 1.0 m}"
    yield "room: {name: Worm lab}"


def _probe(probe: Probe) -> Iterator[str]:
    yield f"  {probe.key}:"
    yield f"    place: {probe.place}"
    yield f"    topic: {_quoted(probe.topic)}"
    yield f"    format: {probe.format.value}"
    if probe.format in SENML_FORMATS:
        yield f"    senml_name: {_quoted(senml.base_name(probe.key))}"
    if probe.format is Format.JSON and probe.clock_ms is not None:
        yield f"    time: {_quoted(probe.time_pointer)}"
    yield f"    every: {probe.every_ms // 1000} s"
    yield "    channels:"
    for channel in probe.channels:
        yield f"      {channel.name}: {{{', '.join(_fields(probe, channel))}}}"


def _fields(probe: Probe, channel: Channel) -> Iterable[str]:
    if probe.format in SENML_FORMATS:
        yield f"name: {channel.name}"
    if probe.format is Format.JSON:
        yield f"pointer: {_quoted(channel.pointer)}"
    yield f"measure: {MEASURES[probe.spot, channel.name]}"
    yield f"unit: {_quoted(channel.unit)}"
    if channel.model in _KNOWN_MODELS and (channel.model != "capacitive" or channel.unit == "count"):
        yield f"model: {channel.model}"
    if channel.unit == "count":
        (dry, dry_raw), (wet, wet_raw) = DRY_POINT, WET_POINT
        points = f"[[{dry_raw:g}, {dry:g} %], [{wet_raw:g}, {wet:g} %]]"
        yield f"calibration: [{{from: 2020-01-01, points: {points}, note: oven samples of this bedding}}]"


def _quoted(word: str) -> str:
    return word if _PLAIN.fullmatch(word) else json.dumps(word, ensure_ascii=False)


def _zone(room: Room) -> str:
    """A zone as far from UTC as the room's clock; where that is no whole hour there is none, and UTC must do."""
    hours = room.school.utc_offset_h
    if hours != round(hours) or hours == 0:
        return "UTC"
    return f"Etc/GMT{-round(hours):+d}"  # the signs of these zones are the wrong way round


def _altitude_m(scenario: Scenario) -> int:
    """Height above the sea from the pressure over the brewers, by the inverse of `air.pressure_atm`."""
    pressure = scenario.brewers[0].spec.pressure_atm if scenario.brewers else 1.0
    return round((1 - math.pow(pressure, 1 / 5.25588)) / 2.25577e-5)


def _clock(hour: float) -> str:
    minutes = round(hour * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
