"""What a picture shows: truth, readings, faults and harms by place, and messages to people. Pure values.

A story is made of facts (as `truth` writes them, read back from JSON), packs and messages, in any order of calls.
"""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import cbor2

from sim_sensors import payloads, probes, senml
from sim_sensors.pack import Pack

Points = list[tuple[int, float]]
"""(ms UTC, value), in order of coming."""

ON_OFF = "0 off, 1 on"
QUANTITIES = {
    "temperature_c": ("temperature", "degC"),
    "pocket_c": ("pocket temperature", "degC"),
    "moisture_pct": ("moisture", "% wet basis"),
    "humidity_pct": ("humidity", "%RH"),
    "oxygen_mg_l": ("oxygen", "mg/L"),
    "pump_on": ("pump", ON_OFF),
    "leachate_pct": ("leachate", "% of the sump"),
}
"""By key of a state: what is drawn, and its unit."""
_PANEL = {"air-temperature": "temperature"}
"""Channels whose panel has another name."""
_BACK: dict[str, Callable[[float], float]] = {
    "degF": lambda f: (f - 32) / 1.8,
    "count": probes.moisture_pct,
    "/": lambda share: share * 100,
    "kg/m3": lambda kg_m3: kg_m3 * 1000,
    "mV": lambda mv: mv / 1000,
}
"""From the unit sent to the unit drawn."""


@dataclass(frozen=True, slots=True)
class Span:
    """A fault or harm. `end_ms` None: it goes on."""

    kind: str
    name: str
    begin_ms: int
    end_ms: int | None
    lasting_ms: int | None = None
    """When a harm passed beyond mending."""
    know_by_ms: int | None = None
    """By when somebody had to know of it."""


@dataclass(frozen=True, slots=True)
class Message:
    t_ms: int
    place: str
    subject: str


@dataclass(slots=True)
class Panel:
    unit: str = ""
    truth: Points = field(default_factory=list)
    readings: Points = field(default_factory=list)


@dataclass(slots=True)
class Place:
    panels: dict[str, Panel] = field(default_factory=dict)
    spans: list[Span] = field(default_factory=list)


@dataclass(slots=True)
class Story:
    title: str = ""
    begin_ms: int = 0
    end_ms: int = 0
    places: dict[str, Place] = field(default_factory=dict)
    messages: list[Message] = field(default_factory=list)
    _by_topic: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    _open: dict[tuple[str, str, str], Span] = field(default_factory=dict)

    def add_fact(self, fact: Mapping[str, Any]) -> None:
        """One line of a truth file. Raises KeyError, ValueError or TypeError where it is none."""
        t_ms, kind = time_ms(fact["time"]), fact["kind"]
        if kind == "run":
            self.title = f"{fact['scenario']}: {fact['title']}"
            self.begin_ms, self.end_ms = t_ms, t_ms + fact["duration_ms"]
        elif kind == "probe":
            self._by_topic.setdefault(fact["topic"], []).append(dict(fact))
        elif kind == "state":
            self._state(t_ms, fact)
        elif kind in ("fault", "harm"):
            self._span(t_ms, kind, fact)

    def _place(self, name: str) -> Place:
        return self.places.setdefault(name, Place())

    def _state(self, t_ms: int, fact: Mapping[str, Any]) -> None:
        for key, (quantity, unit) in QUANTITIES.items():
            if key in fact:
                panel = self._place(fact["place"]).panels.setdefault(quantity, Panel())
                panel.unit = unit
                panel.truth.append((t_ms, float(fact[key])))

    def _span(self, t_ms: int, kind: str, fact: Mapping[str, Any]) -> None:
        about = " ".join(str(fact[key]) for key in ("probe", "channel") if key in fact)
        name = f"{fact['name']} ({about})" if about else str(fact["name"])
        key = (kind, name, str(fact["place"]))
        span = self._open.pop(key, Span(kind, name, t_ms, None))
        if "know_by" in fact:
            span = replace(span, know_by_ms=time_ms(fact["know_by"]))
        if fact["phase"] == "end":
            self._place(key[2]).spans.append(replace(span, end_ms=t_ms))
        else:
            self._open[key] = replace(span, lasting_ms=t_ms) if fact["phase"] == "lasting" else span

    def add_pack(self, pack: Pack) -> None:
        """The readings in a message, each at its own time where it has one. Raises ValueError where it holds none."""
        for probe in self._by_topic.get(pack.topic, []):
            for name, value, t_ms in _readings(probe, pack):
                panel = self._place(probe["place"]).panels.get(_PANEL.get(name, name))
                if panel is not None:
                    back = _BACK.get(probe["channels"][name]["unit"], float)
                    panel.readings.append((t_ms, back(value)))

    def add_message(self, message: Mapping[str, Any]) -> None:
        self.messages.append(Message(time_ms(message["time"]), str(message.get("place", "")), str(message["subject"])))

    def finish(self) -> None:
        """What has begun and not ended goes on past the end."""
        for (_, _, place), span in self._open.items():
            self._place(place).spans.append(span)
        self._open.clear()
        self.messages.sort(key=lambda message: message.t_ms)


def time_ms(written: object) -> int:
    """ISO 8601 with its zone, or ms UTC."""
    if isinstance(written, int):
        return written
    moment = datetime.fromisoformat(str(written))
    if moment.tzinfo is None:
        raise ValueError(f"'{written}' has no time zone")
    return round(moment.timestamp() * 1000)


def _readings(probe: Mapping[str, Any], pack: Pack) -> Iterator[tuple[str, float, int]]:
    """(channel, value as sent, ms UTC)"""
    form, channels = probe["format"], probe["channels"]
    if form == "number":
        yield next(iter(channels)), _number(pack.payload), pack.t_ms
    elif form == "json":
        document = json.loads(pack.payload)
        written = _at(document, probe["time_pointer"]) if "time_pointer" in probe else None
        t_ms = pack.t_ms if written is None else time_ms(written)
        for name, channel in channels.items():
            value = _at(document, channel["pointer"])
            if value is not None:
                yield name, float(value), t_ms
    else:
        yield from _senml(senml.base_name(probe["name"]), pack, form == "senml-cbor")


def _senml(base: str, pack: Pack, in_cbor: bool) -> Iterator[tuple[str, float, int]]:
    labels: tuple[Any, ...] = (senml.BASE_NAME, senml.BASE_TIME, senml.NAME, senml.VALUE, senml.BOOLEAN)
    bn, bt, n, v, vb = labels if in_cbor else ("bn", "bt", "n", "v", "vb")
    records = cbor2.loads(pack.payload) if in_cbor else json.loads(pack.payload)
    if records[0][bn] == base:
        t_ms = round(records[0][bt] * 1000) if bt in records[0] else pack.t_ms
        for record in records:
            yield record[n], float(record[v] if v in record else record[vb]), t_ms


def _number(payload: bytes) -> float:
    return {b"on": 1.0, b"off": 0.0}[payload] if payload in (b"on", b"off") else float(payload)


def _at(document: Any, pointer: str) -> Any:
    for step in payloads.steps(pointer):
        document = document.get(step) if isinstance(document, dict) else None
    return document
