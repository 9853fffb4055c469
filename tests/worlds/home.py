"""A lab with one probe for each payload format, for tests of the whole collector."""

from pathlib import Path

from tests.worlds.texts import MOISTURE, TEMPERATURE, bedding, lab_text, probe_text

_JSON_MOISTURE = """\
moisture:
        pointer: /bed/soil
        measure: bedding_moisture
        unit: count
        model: capacitive
        calibration:
          - {from: 2026-01-01, points: [[1950, 62 %], [1620, 84 %]]}"""
LAB = lab_text(
    probe_text("juniper/top", TEMPERATURE, MOISTURE),
    probe_text("juniper/middle", bedding(), format="senml-cbor"),
    probe_text(
        "maple/top",
        bedding(unit="degF", named="pointer: /bed/{key}"),
        _JSON_MOISTURE,
        format="json",
        more="time: /at",
    ),
    probe_text(
        "room",
        "temperature: {measure: air_temperature, unit: degC}",
        name="room-air",
        topic="worms/+/air",
        format="number",
    ),
    more="room: {name: Worm lab}",
)

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
    folder.mkdir(mode=0o700, parents=True)
    (folder / "rules").mkdir()
    (folder / "lab.yaml").write_text(LAB, encoding="utf-8")
    (folder / "rules" / "site.yaml").write_text(rules, encoding="utf-8")
    return folder


def hot_pack(t_s: float, celsius: float, moisture: float = 0.76) -> str:
    """juniper/top in SenML at Unix time `t_s`."""
    return (
        f'[{{"bn":"urn:dev:mac:0024befffe804ff1:","bt":{t_s:.3f},"n":"temperature","u":"Cel","v":{celsius}}},'
        f'{{"n":"moisture","u":"/","v":{moisture}}}]'
    )
