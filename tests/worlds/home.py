"""A lab with one probe for each payload format, for tests of the whole collector."""

from pathlib import Path

LAB = """\
lab: {name: Quillbrook School worm lab, time_zone: UTC, units: metric}
bins:
  juniper: {trays: {top: {}, middle: {}, bottom: {}}}
  maple: {trays: {top: {}, middle: {}, bottom: {}}}
room: {name: Worm lab}
probes:
  juniper-top:
    place: juniper/top
    topic: worms/juniper/top
    format: senml
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel, model: ds18b20}
      moisture: {name: moisture, measure: bedding_moisture, unit: /}
  juniper-middle:
    place: juniper/middle
    topic: worms/juniper/middle
    format: senml-cbor
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel}
  maple-top:
    place: maple/top
    topic: worms/maple/top
    format: json
    time: /at
    channels:
      temperature: {pointer: /bed/temperature, measure: bedding_temperature, unit: degF}
      moisture:
        pointer: /bed/soil
        measure: bedding_moisture
        unit: count
        model: capacitive
        calibration:
          - {from: 2026-01-01, points: [[1950, 62 %], [1620, 84 %]]}
  room-air:
    place: room
    topic: worms/+/air
    format: number
    channels:
      temperature: {measure: air_temperature, unit: degC}
people:
  teacher: {email: teacher@quillbrook.example}
"""

HOT_AT_ONCE = """\
alarms:
  bedding-hot:
    kind: high
    measure: bedding_temperature
    setpoint: 30 degC
    deadband: 1 degC
    on_delay: 0 s
    off_delay: 0 s
    priority: high
    consequence: Above 30 degC worms leave or die within hours.
    corrective_action: Lift the blanket and move the fresh feed out of the tray.
    time_to_respond: 4 h
    basis: Edwards, Earthworm Ecology 2nd ed. table 18.3
"""


def make_home(folder: Path, rules: str = HOT_AT_ONCE) -> Path:
    (folder / "rules").mkdir(parents=True)
    (folder / "lab.yaml").write_text(LAB, encoding="utf-8")
    (folder / "rules" / "site.yaml").write_text(rules, encoding="utf-8")
    return folder


def hot_pack(t_s: float, celsius: float, moisture: float = 0.76) -> str:
    """juniper/top in SenML at Unix time `t_s`."""
    return (
        f'[{{"bn":"urn:dev:mac:0024befffe804ff1:","bt":{t_s:.3f},"n":"temperature","u":"Cel","v":{celsius}}},'
        f'{{"n":"moisture","u":"/","v":{moisture}}}]'
    )
