"""From a message to the series it belongs to: by topic, then by record name, then by unit."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from collector.domain.calibration_points import is_uncalibrated
from collector.domain.lab import NOT_SENT, Channel, Format, Lab, Probe, SeriesKey
from collector.domain.units import from_sent, sent_units

_MOST_REMEMBERED = 2_000
_LONGEST_REMEMBERED = 255
"""Characters. MQTT allows 65,535 bytes, and topics come from outside."""
_SEPARATORS = (":", "/", ".")


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """Where a record of one name goes."""

    series: int
    channel: Channel
    default_unit: str
    conversions: Mapping[str, tuple[float, float]]
    """Unit sent -> (scale, offset) to the canonical unit; for a calibrated channel only its own raw unit, unscaled."""

    def as_channel_says(self, canonical: float) -> float:
        """A value in the channel's own unit: a probe's codes for "no value" are known in that unit only."""
        scale, offset = self.conversions[self.default_unit]
        return (canonical - offset) / scale


@dataclass(slots=True, kw_only=True)
class Route:
    """What messages of one topic may hold, for one payload format."""

    format: Format
    slots: dict[str, Slot]
    """By resolved SenML name (or name after the topic), JSON Pointer, or '' for a bare number."""
    pointers: tuple[str, ...] = ()
    time_pointer: str = ""
    loose: bool = False
    """Some probe has no `senml_name`: a record may carry any base name before its channel's name."""

    def slot(self, name: str) -> Slot | None:
        """The slot of a record name, or None. Nothing is remembered: names come from outside, from many senders."""
        exact = self.slots.get(name)
        if exact is not None or not self.loose:
            return exact
        for separator in _SEPARATORS:
            found = self.slots.get(name.rpartition(separator)[2]) if separator in name else None
            if found is not None:
                return found
        return None


class Placing:
    """All routes of a lab. `routes(topic)` is empty for a topic no probe claims.

    Topics that the same probes claim share their routes, so that a '+' with many senders costs no more than one.
    """

    def __init__(self, lab: Lab, ids: Mapping[SeriesKey, int]) -> None:
        self._probes = lab.probes
        self._ids = ids
        self._known: dict[str, tuple[Route, ...]] = {}
        self._made: dict[tuple[str, ...], tuple[Route, ...]] = {}
        """By the ids of the probes that claim a topic."""

    @property
    def remembered(self) -> int:
        """Topics and routes held at present."""
        return len(self._known) + len(self._made)

    def routes(self, topic: str) -> tuple[Route, ...]:
        """What messages of a topic may hold; several formats may share one."""
        try:
            return self._known[topic]
        except KeyError:
            if self.remembered >= _MOST_REMEMBERED:
                self._known.clear()
                self._made.clear()
            found = self._find(topic)
            if len(topic) <= _LONGEST_REMEMBERED:
                self._known[topic] = found
            return found

    def topic(self, series: int) -> str:
        """What the probe of a series publishes to, as lab.yaml says it."""
        return next((p.topic for p in self._probes for c in p.channels if self._ids[_key(p, c)] == series), "")

    def _find(self, topic: str) -> tuple[Route, ...]:
        claims = [p for p in self._probes if topic_fits(p.topic, topic)]
        ids = tuple(probe.id for probe in claims)
        found = self._made.get(ids)
        if found is None:
            found = self._made[ids] = self._make(claims)
        return found

    def _make(self, claims: Iterable[Probe]) -> tuple[Route, ...]:
        groups: dict[tuple[Format, str], list[Probe]] = {}
        for probe in claims:
            groups.setdefault((probe.format, probe.time_pointer), []).append(probe)
        return tuple(self._route(kind, pointer, probes) for (kind, pointer), probes in groups.items())

    def _route(self, kind: Format, time_pointer: str, probes: Iterable[Probe]) -> Route:
        slots: dict[str, Slot] = {}
        loose = False
        for probe in probes:
            loose = loose or not probe.senml_name
            for channel in probe.channels:
                if channel.name == NOT_SENT:
                    continue
                slots[probe.senml_name + channel.name] = make_slot(self._ids[_key(probe, channel)], channel)
        return Route(
            format=kind,
            slots=slots,
            pointers=tuple(slots) if kind is Format.JSON else (),
            time_pointer=time_pointer,
            loose=loose,
        )


def _key(probe: Probe, channel: Channel) -> SeriesKey:
    return SeriesKey(probe=probe.id, channel=channel.key, measure=channel.measure, place=probe.place)


def make_slot(series: int, channel: Channel) -> Slot:
    if channel.calibrations or is_uncalibrated(channel):
        return Slot(series=series, channel=channel, default_unit=channel.unit, conversions={channel.unit: (1.0, 0.0)})
    known = {unit: from_sent(channel.measure, unit) or (1.0, 0.0) for unit in sent_units(channel.measure)}
    return Slot(series=series, channel=channel, default_unit=channel.unit, conversions=known)


def topic_fits(claimed: str, topic: str) -> bool:
    """Whether the topic of a probe, which may have '+' for a level, stands for this one (MQTT 5.0 section 4.7.1)."""
    if "+" not in claimed or claimed == topic:
        return claimed == topic
    levels, given = claimed.split("/"), topic.split("/")
    if levels[0] == "+" and topic.startswith("$"):  # section 4.7.2: these are the broker's own
        return False
    return len(levels) == len(given) and all(
        wanted in ("+", level) for wanted, level in zip(levels, given, strict=True)
    )
