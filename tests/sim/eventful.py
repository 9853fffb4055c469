"""A scenario in which everything happens, and small labs for what people do."""

from sim_sensors import scenario_file
from sim_sensors.scenario import Scenario

START_MS = 1_772_438_400_000
"""2026-03-02T08:00:00Z, a Monday."""
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

_EVENTFUL = """\
title: Everything happens
length: 30 d
step: 5 min
states: 1 h
every: 1 h
holidays: [03-16 to 03-17]
room: {day: 21 degC, night: 17 degC, humidity: 45 %RH, outside: 10 degC}
bins:
  juniper:
    sump: 1 L
    leachate: 20 %
    trays:
      top: {wet_mass: 4 kg, moisture: 75 %, temperature: 20 degC}
      middle: {wet_mass: 6 kg, moisture: 78 %, temperature: 22 degC}
      bottom: {wet_mass: 7 kg, moisture: 89 %, temperature: 20 degC}
  maple:
    trays:
      only: {wet_mass: 5 kg, moisture: 75 %, temperature: 20 degC, worms: 0 kg}
brewers:
  kettle: {volume: 20 L, temperature: 19 degC, oxygen: 8 mg/L, uptake: 8 mg/L/h}
brews:
  - {at: 2 d, place: kettle, lasts: 24 h, used_after: 2 h, food: 1 g/L}
  - {at: 9 d, place: kettle, food: 2 g/L}
care:
  - {at: 5 h, place: juniper/top, water: 1 L}
  - {at: 6 h, place: juniper/middle, feed: 300 g}
  - {at: 30 h, place: juniper, empty: yes}
routine:
  - {place: juniper/top, dry_below: 72 %, water_to: 78 %, feed: 60 g, feed_on: mon thu}
  - {place: juniper/middle, dry_below: 72 %, water_to: 78 %, feed: 60 g}
  - {place: maple/only, at: 9 h, dry_below: 72 %, water_to: 78 %}
  - {place: juniper, empty_above: 50 %}
faults:
  - {kind: dry_out, place: juniper/top, from: 3 d, for: 2 d, air_speed: 1 m/s}
  - {kind: lesson, place: juniper/middle, from: 33 h, for: 40 min}
  - {kind: sun, place: juniper/top, from: 35 h, for: 4 h, watts: 40}
  - {kind: heat, place: maple/only, from: 1 d, for: 4 d, feed: 2.5 kg}
  - {kind: heat, place: juniper/middle, from: 8 d, for: 2 d, feed: 1 kg, peak_after: 6 h, mixed: 0.5}
  - {kind: flood, place: juniper/middle, from: 12 d, for: 2 h, water: 6 L}
  - {kind: flood, place: juniper/top, from: 14 d, for: 3 h, water: 12 L}
  - {kind: drain_blocked, place: juniper, from: 13 d, for: 3 d}
  - {kind: pump_stop, place: kettle, from: 54 h, for: 1 h}
  - {kind: pump_weak, place: kettle, from: 57 h, for: 6 h, left: 30 %}
  - {kind: brew_forgotten, place: kettle, from: 9 d, for: 3 d}
  - {kind: heat_wave, from: 17 d, for: 4 d, peak: 36 degC}
  - {kind: heating_off, from: 22 d, for: 14 h, down_to: -8 degC, lag: 3 h}
  - {kind: holiday, from: 24 d, for: 5 d}
  - {kind: dry_air, from: 24 d, for: 5 d, humidity: 12 %RH}
"""

_ROUTINE = """\
title: What people do
step: 5 min
states: 1 h
every: 1 h
holidays: [03-09 to 03-15]
room: {day: 20 degC, night: 20 degC, humidity: 50 %RH, swing: 0 degC, start: 20 degC}
bins:
  juniper:
    sump: 2 L
    leachate: 40 %
    trays:
      top: {wet_mass: 4 kg, moisture: 70 %, temperature: 20 degC, worms: 0 g}
"""


def eventful(equations: str = "first") -> Scenario:
    return scenario_file.parse(f"equations: {equations}\n{_EVENTFUL}", "eventful", "eventful.yaml")


def tended(more: str) -> Scenario:
    """One tray over a sump at 40 %, with such sections besides."""
    return scenario_file.parse(_ROUTINE + more, "tended", "tended.yaml")
