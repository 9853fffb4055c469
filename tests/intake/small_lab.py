"""A small lab for the intake's tests, an intake over it, and messages to it."""

from collections.abc import Iterator

import numpy as np

from collector.config.lab_file import read_lab
from collector.domain.lab import Lab, series_keys
from collector.intake.inbox import Column, IncomingMessage, Intake
from collector.intake.placing import Placing
from collector.pipeline.conditioning import conditioners_of
from tests.worlds.texts import lab_text
from tests.worlds.values import T0

NOW = T0
"""2026-03-02T08:00:00Z."""

PROBES = """\
  juniper-top:
    place: juniper/top
    topic: worms/juniper/top
    format: senml
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel, model: ds18b20}
      moisture: {name: moisture, measure: bedding_moisture, unit: /}
  juniper-middle:
    place: juniper/middle
    topic: worms/board
    format: senml
    senml_name: "urn:dev:mac:01:"
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel}
  juniper-bottom:
    place: juniper/bottom
    topic: worms/board
    format: senml
    senml_name: "urn:dev:mac:02:"
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel}
  maple-top:
    place: maple/top
    topic: worms/maple/top
    format: json
    time: /at
    channels:
      temperature: {pointer: /bed/t, measure: bedding_temperature, unit: degF}
      moisture:
        pointer: /bed/m
        measure: bedding_moisture
        unit: count
        calibration:
          - {from: 2026-01-01, points: [[1950, 62 %], [1620, 84 %]]}
  maple-middle:
    place: maple/middle
    topic: worms/maple/middle
    format: senml-cbor
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel}
  kettle-oxygen:
    place: kettle
    topic: worms/kettle/oxygen
    format: json
    channels:
      oxygen: {pointer: /o2, measure: dissolved_oxygen, unit: mg/L}
  kettle-pump:
    place: kettle
    topic: worms/kettle/pump
    format: number
    channels:
      pump: {measure: air_pump, unit: on/off}
  room-air:
    place: room
    topic: worms/+/air
    format: number
    channels:
      temperature: {measure: air_temperature, unit: degC}
"""


def lab(probes: str = PROBES) -> Lab:
    return read_lab(lab_text(probes, more="brewers:\n  kettle: {}\nroom: {name: Worm lab}"), "lab.yaml")


class Room:
    """An intake over a lab. `take()` gives what came in, by 'probe.channel'."""

    def __init__(self, probes: str = PROBES, arrivals: dict[int, bytes] | None = None) -> None:
        self.lab = lab(probes)
        self.ids = {key: number for number, key in enumerate(series_keys(self.lab), start=1)}
        self.names = {number: f"{key.probe}.{key.channel}" for key, number in self.ids.items()}
        self.intake = Intake(self.lab, self.ids, arrivals)
        self.conditioners = conditioners_of(self.lab, self.ids, {})
        self.placing = Placing(self.lab, self.ids)

    def say(
        self,
        topic: str,
        payload: str | bytes,
        now_ms: int = NOW,
        *,
        mid: int = 1,
        again: bool = False,
        retained: bool = False,
    ) -> None:
        data = payload.encode() if isinstance(payload, str) else payload
        self.intake.accept(
            IncomingMessage(topic=topic, payload=data, mid=mid, redelivered=again, retained=retained), now_ms
        )

    def take(self) -> dict[str, list[tuple[int, float, float, int]]]:
        """(time, raw, value, why) of each reading since the last call."""
        return {self.names[number]: list(self._rows(number, one)) for number, one in self.intake.take().items()}

    def _rows(self, number: int, column: Column) -> Iterator[tuple[int, float, float, int]]:
        """With the value that the pipeline makes of what was said."""
        t_ms, raw, why = np.array(column.t_ms), np.array(column.raw), np.array(column.why, np.uint16)
        values, whole = self.conditioners[number].values(t_ms, raw, why)
        return zip(column.t_ms, column.raw, values.tolist(), whole.tolist(), strict=True)

    def values(self) -> dict[str, list[float]]:
        return {name: [value for _, _, value, _ in readings] for name, readings in self.take().items()}

    @property
    def reasons(self) -> list[str]:
        return [one.reason for one in self.intake.oddities if one.reason]

    @property
    def strangers(self) -> list[tuple[str, str]]:
        """Topic and record name of readings nobody claims."""
        return [(one.topic, one.name) for one in self.intake.oddities if not one.reason]

    def route_of(self, topic: str, name: str) -> str | None:
        """Where a record of this name on this topic goes."""
        slots = [route.slot(name) for route in self.placing.routes(topic)]
        return next((self.names[slot.series] for slot in slots if slot is not None), None)
