"""Probes as a scenario describes them: where each sits, what it measures, how its messages look and travel."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum


class Format(Enum):
    SENML = "senml"
    """SenML as JSON (RFC 8428)."""
    SENML_CBOR = "senml-cbor"
    """SenML as CBOR (RFC 8428, RFC 8949)."""
    JSON = "json"
    """Any JSON: each value stands where its pointer leads (RFC 6901)."""
    NUMBER = "number"
    """One bare number, or on and off."""


class Spot(Enum):
    """The kinds of places a probe can sit at."""

    TRAY = "tray"
    BIN = "bin"
    """Under its trays, where the leachate gathers."""
    ROOM = "room"
    BREWER = "brewer"


@dataclass(frozen=True, slots=True)
class Channel:
    """One thing a probe measures. `name` is the quantity, and its name in payloads."""

    name: str
    model: str
    unit: str
    pointer: str


@dataclass(frozen=True, slots=True)
class Probe:
    """A box with a radio and one or more channels."""

    key: str
    """Its name, which also decides its random numbers."""
    place: str
    spot: Spot
    topic: str
    format: Format
    channels: tuple[Channel, ...]
    every_ms: int
    jitter_ms: int = 2_000
    """Each report comes up to this much before or after its beat."""
    clock_ms: int | None = 0
    """How far its clock is ahead of the true time; None: it has no clock and sends no time."""
    clock_gain_ms_day: float = 0.0
    """What its clock gains in a day."""
    noise: float = 1.0
    """Scatter of its readings, as a multiple of the model's."""
    duplicates: float = 0.0
    """Share of its messages that arrive twice."""
    reboots_month: float = 0.0
    """Reboots in 30 days, at random."""
    retain: bool = False
    time_pointer: str = "/at"
    """Format json: where the time stands."""


SENML_FORMATS = frozenset({Format.SENML, Format.SENML_CBOR})

OFFERED: Mapping[Spot, Mapping[str, tuple[str, ...]]] = {
    Spot.TRAY: {"temperature": ("ds18b20", "sht3x", "dht22"), "moisture": ("capacitive",), "battery": ("cell",)},
    Spot.BIN: {"leachate": ("level",), "battery": ("cell",)},
    Spot.ROOM: {
        "air-temperature": ("sht3x", "dht22", "ds18b20"),
        "humidity": ("sht3x", "dht22"),
        "battery": ("cell",),
    },
    Spot.BREWER: {"temperature": ("ds18b20",), "oxygen": ("oxygen",), "pump": ("switch",), "battery": ("cell",)},
}
"""What can be measured where, and the models for it, the usual one first."""

UNITS: Mapping[str, tuple[str, ...]] = {
    "temperature": ("Cel", "degC", "degF"),
    "air-temperature": ("Cel", "degC", "degF"),
    "moisture": ("count", "/", "%"),
    "humidity": ("%RH", "/", "%"),
    "oxygen": ("kg/m3", "mg/L"),
    "pump": ("on/off",),
    "leachate": ("/", "%"),
    "battery": ("V", "mV"),
}
"""Units each quantity can be sent in, the usual one first. '/' is a ratio: 0.76 is 76 %."""

NOT_SENML = frozenset({"degC", "degF", "%", "mg/L", "mV"})
"""Units that only the formats json and number can use: SenML has names of its own (RFC 8428 section 12.1, RFC 8798)."""

_USUAL: Mapping[Spot, tuple[str, ...]] = {
    Spot.TRAY: ("temperature", "moisture", "battery"),
    Spot.BIN: ("leachate",),
    Spot.ROOM: ("air-temperature", "humidity"),
    Spot.BREWER: ("temperature", "oxygen", "pump"),
}


def spots(trays: Iterable[str], brewers: Iterable[str]) -> dict[str, Spot]:
    """Every place a probe can sit at; trays as 'bin/tray'."""
    trays = tuple(trays)
    bins = {place.partition("/")[0]: Spot.BIN for place in trays}
    return {
        **dict.fromkeys(trays, Spot.TRAY),
        **bins,
        "room": Spot.ROOM,
        **dict.fromkeys(brewers, Spot.BREWER),
    }


def channel(spot: Spot, name: str) -> Channel:
    """The usual channel for a quantity at such a place."""
    return Channel(name, OFFERED[spot][name][0], UNITS[name][0], f"/{name}")


def usual_channels(spot: Spot) -> tuple[Channel, ...]:
    return tuple(channel(spot, name) for name in _USUAL[spot])


def usual_probes(places: Mapping[str, Spot], every_ms: int) -> dict[str, Probe]:
    """The probes of a lab that says nothing about probes: one in each tray, one in the room, one in each brewer."""
    found = {}
    for place, spot in places.items():
        if spot is not Spot.BIN:
            end = {Spot.ROOM: "-air", Spot.BREWER: "-tea"}.get(spot, "")
            key = place.replace("/", "-") + end
            found[key] = Probe(key, place, spot, f"worms/{place}", Format.SENML, usual_channels(spot), every_ms)
    return found
