"""The `probes` section of a scenario file, and the faults in its `faults` section that are about probes.

Without the section there is one probe in each tray (`juniper-top`: temperature, moisture, battery), one in the room
(`room-air`) and one in each brewer (`kettle-tea`: temperature, oxygen, pump). An entry of such a name changes that
probe, or takes it away; any other name is one more probe.

probes:
  juniper-top: none       takes a usual probe away
  juniper-second:
    place: juniper/top    a tray, a bin (leachate under it), `room`, a brewer   required for a further probe
    topic: worms/a        what it publishes to                                  worms/PLACE, further ones .../NAME
    format: senml         senml, senml-cbor, json, number                       senml
    every: 60 s           how often it reports                                  `every` of the scenario
    jitter: 2 s           how far a report may be from its beat                 2 s, or a fifth of `every`
    clock: 0 s            how far ahead its clock is; none: sends no time       0 s
    clock_drift: 0 s      what its clock gains in a day                         0 s
    duplicates: 0 %       share of messages that arrive twice                   0 %
    reboots: 0            reboots in 30 days                                    0
    noise: 1              scatter, as a multiple of the model's                 1
    retain: no            yes: the broker keeps the last message                no
    time: /at             format json: pointer to the time                      /at
    channels:             what it measures                                      the usual ones of the place
      temperature:        tray: temperature, moisture, battery; bin: leachate, battery; room: air-temperature,
                          humidity, battery; brewer: temperature, oxygen, pump, battery
        model: ds18b20    ds18b20, sht3x, dht22 for temperatures and humidity   the usual one
        unit: Cel         Cel degC degF, count / %, %RH / %, kg/m3 mg/L, V mV   the first of these
        pointer: /t       format json: where the value stands                   /temperature

faults:
  - kind: unplugged       unplugged, stuck, spike, drift, sentinel, wrong_calibration, in_pocket, dying_battery,
                          flaky_radio, radio_gaps, gateway_outage, reboots, out_of_bedding, elsewhere, air_gap
    place: juniper/top    every probe there (a bin: all its trays) ...          one of place, probe; neither: all,
    probe: juniper-second ... or just this one                                  for gateway_outage, flaky_radio
    from: 0 min           since the start                                       required
    for: 5 h                                                                    required
    channel: moisture     unplugged, stuck: this channel only; needed for spike, drift, wrong_calibration
    size: 5               spike: up to this much off; drift: so much a day; in degC, counts, %RH, mg/L, V, %
    share: 5 %            spike: of the readings                                5 %
    factor: 1             wrong_calibration: times this                         1
    offset: 40            wrong_calibration: plus this, units as for size       0
    value: -127           sentinel: -127 or 85                                  -127
    lost: 30 %            flaky_radio                                           30 %
    late: 20 %            flaky_radio                                           20 %
    late_by: 10 min       flaky_radio: at most                                  10 min
    every: 30 min         reboots, radio_gaps: mean time between them           30 min, 6 h
    gap: 20 min           radio_gaps: half of them are shorter                  20 min
    warmer: 0.5           elsewhere: degC from the tray as a whole              0
    wetter: -2            elsewhere: points of moisture from it                 0
    open: 3 %             air_gap: of the way to air, at the end                required
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import yaml

from sim_sensors import payloads
from sim_sensors.probe_faults import Kind, ProbeFault
from sim_sensors.probe_setup import (
    NOT_SENML,
    OFFERED,
    SENML_FORMATS,
    UNITS,
    Channel,
    Format,
    Probe,
    Spot,
    channel,
    usual_channels,
    usual_probes,
)
from sim_sensors.sections import Section, hint

PROBE_KEYS = (
    "place",
    "topic",
    "format",
    "every",
    "jitter",
    "clock",
    "clock_drift",
    "duplicates",
    "reboots",
    "noise",
    "retain",
    "time",
    "channels",
)
CHANNEL_KEYS = ("model", "unit", "pointer")
FAULT_KEYS = ("kind", "place", "probe", "from", "for")
KIND_KEYS: dict[Kind, tuple[str, ...]] = {
    Kind.UNPLUGGED: ("channel",),
    Kind.STUCK: ("channel",),
    Kind.SPIKE: ("channel", "size", "share"),
    Kind.DRIFT: ("channel", "size"),
    Kind.SENTINEL: ("value",),
    Kind.WRONG_CALIBRATION: ("channel", "factor", "offset"),
    Kind.FLAKY_RADIO: ("lost", "late", "late_by"),
    Kind.RADIO_GAPS: ("every", "gap"),
    Kind.ELSEWHERE: ("warmer", "wetter"),
    Kind.AIR_GAP: ("open",),
    Kind.REBOOTS: ("every",),
}
KINDS = {kind.value: kind for kind in Kind}
_BENDING = (Kind.SPIKE, Kind.DRIFT, Kind.WRONG_CALIBRATION)
_FOR_ALL = (Kind.GATEWAY_OUTAGE, Kind.FLAKY_RADIO, Kind.RADIO_GAPS)
_MOST_JITTER_MS = 2_000
_MIN_MS = 60_000
_DAY_MS = 86_400_000


def probes(top: Section, places: Mapping[str, Spot], every_ms: int) -> tuple[Probe, ...]:
    """All probes of a scenario, the usual ones first; notes what is wrong with the section."""
    found = {
        key: replace(probe, jitter_ms=_jitter_ms(every_ms)) for key, probe in usual_probes(places, every_ms).items()
    }
    section = top.section("probes")
    for key, one in section.children() if section else ():
        if isinstance(one.node, yaml.ScalarNode) and one.node.value == "none":
            if found.pop(key, None) is None:
                one.note(f"there is no usual probe '{key}' to take away{hint(key, found)}")
        else:
            found[key] = _probe(key, one, found.get(key), places, every_ms)
    if section:
        _check_topics(section, found.values())
    return tuple(found.values())


def is_about_probe(item: Section) -> bool:
    """Whether an item of `faults` is about a probe, and so read by `faults` here."""
    node = item.value("kind")
    return isinstance(node, yaml.ScalarNode) and node.value in KINDS


def faults(items: Sequence[Section], probes: Sequence[Probe]) -> tuple[ProbeFault, ...]:
    """The faults about probes, one for each probe concerned."""
    return tuple(fault for item in items if is_about_probe(item) for fault in _faults(item, probes))


def _jitter_ms(every_ms: int) -> int:
    return min(_MOST_JITTER_MS, every_ms // 5)


def _probe(key: str, one: Section, usual: Probe | None, places: Mapping[str, Spot], every_ms: int) -> Probe:
    one.keys(PROBE_KEYS)
    place = _choice(one, "place", places, usual.place if usual else None)
    spot = places.get(place, Spot.ROOM)
    form = Format(_choice(one, "format", [f.value for f in Format], Format.SENML.value) or Format.SENML)
    every = round(one.number("every", "duration", every_ms, low=1_000, high=_DAY_MS))
    probe = Probe(
        key=key,
        place=place,
        spot=spot,
        topic=_topic(one, f"worms/{place}" if usual else f"worms/{place}/{key}"),
        format=form,
        channels=_channels(one, spot, form),
        every_ms=every,
        jitter_ms=round(one.number("jitter", "duration", _jitter_ms(every), high=every / 4)),
        clock_ms=_clock_ms(one),
        clock_gain_ms_day=one.number("clock_drift", "duration", 0, low=-3_600_000, high=3_600_000),
        noise=one.number("noise", "number", 1, high=100),
        duplicates=one.number("duplicates", "percent", 0, high=100) / 100,
        reboots_month=one.number("reboots", "number", 0, high=10_000),
        retain=_choice(one, "retain", ("yes", "no"), "no") == "yes",
        time_pointer=_pointer(one, "time", "/at") if form is Format.JSON else "/at",
    )
    if one.value("time") is not None and form is not Format.JSON:
        one.note("only format json has a pointer to its time", "time")
    _check_pointers(one, probe)
    return probe


def _choice(one: Section, key: str, known: Mapping[str, object] | Sequence[str], default: str | None) -> str:
    """One of the known words; empty where it is not."""
    text = one.text(key, default)
    if not text or text in known:
        return text
    one.note(f"'{text}' is not a {key}{hint(text, known)}", key)
    return ""


def _topic(one: Section, default: str) -> str:
    topic = one.text("topic", default)
    if topic and (not topic.isprintable() or set(topic) & set('+#"\\') or topic.startswith("$")):
        one.note(
            f"'{topic}' is not a topic to publish to; write one like 'worms/juniper/top', without + and #", "topic"
        )
    return topic


def _clock_ms(one: Section) -> int | None:
    if one.value("clock") is not None and one.text("clock") == "none":
        return None
    year = 365 * _DAY_MS
    return round(one.number("clock", "duration", 0, low=-50 * year, high=50 * year))


def _channels(one: Section, spot: Spot, form: Format) -> tuple[Channel, ...]:
    section = one.section("channels")
    if section is None:
        found = usual_channels(spot)
    else:
        found = tuple(_channel(name, part, spot, form) for name, part in section.children() if _known(name, part, spot))
        if not section.problems and not found:
            section.note("name at least one channel")
    if form is Format.NUMBER and len(found) > 1:
        one.note("a bare number holds one channel; name it under 'channels'", "format")
    return found


def _known(name: str, part: Section, spot: Spot) -> bool:
    if name in OFFERED[spot]:
        return True
    part.note(f"a {spot.value} has no '{name}' to measure{hint(name, OFFERED[spot])}")
    return False


def _channel(name: str, part: Section, spot: Spot, form: Format) -> Channel:
    usual = channel(spot, name)
    if isinstance(part.node, yaml.ScalarNode) and not part.node.value:
        return usual
    part.keys(CHANNEL_KEYS)
    unit = _choice(part, "unit", UNITS[name], usual.unit)
    if form in SENML_FORMATS and unit in NOT_SENML:
        part.note(f"'{unit}' is not a unit of SenML; use '{UNITS[name][0]}', or format json or number", "unit")
    if part.value("pointer") is not None and form is not Format.JSON:
        part.note("only format json has pointers", "pointer")
    model = _choice(part, "model", OFFERED[spot][name], usual.model)
    return Channel(name, model or usual.model, unit, _pointer(part, "pointer", usual.pointer))


def _pointer(one: Section, key: str, default: str) -> str:
    text = one.text(key, default)
    if text and (not text.startswith("/") or "~" in text.replace("~0", "").replace("~1", "")):
        one.note(f"'{text}' is not a JSON Pointer; write it like '/bed/temperature'", key)
        return default
    return text


def _check_pointers(one: Section, probe: Probe) -> None:
    """No value may stand where another one does, or on the way to it."""
    pointed = [channel.pointer for channel in probe.channels]
    if probe.clock_ms is not None:
        pointed.append(probe.time_pointer)
    paths = sorted(payloads.steps(pointer) for pointer in pointed)
    for path, after in pairwise(paths):
        if probe.format is Format.JSON and after[: len(path)] == path:
            one.note(f"two pointers meet at '/{'/'.join(path)}'; give each value a place of its own", "channels")


def _check_topics(section: Section, found: Iterable[Probe]) -> None:
    seen: dict[str, Probe] = {}
    for probe in found:
        other = seen.setdefault(probe.topic, probe)
        if other is not probe and not {other.format, probe.format} <= SENML_FORMATS:
            section.note(
                f"'{other.key}' and '{probe.key}' share a topic; only SenML tells probes apart by name", probe.key
            )


def _faults(item: Section, probes: Sequence[Probe]) -> Iterator[ProbeFault]:
    kind = KINDS[item.text("kind")]
    item.keys((*FAULT_KEYS, *KIND_KEYS.get(kind, ())))
    begin = round(item.number("from", "duration"))
    end = begin + round(item.number("for", "duration", low=_MIN_MS))
    concerned = _concerned(item, kind, probes)
    channel_name = _fault_channel(item, kind, concerned)
    fault = ProbeFault(kind, "", "", begin, end, channel_name, **_numbers(item, kind))  # type: ignore[arg-type]
    return iter([replace(fault, probe=probe.key, place=probe.place) for probe in concerned])


def _concerned(item: Section, kind: Kind, probes: Sequence[Probe]) -> list[Probe]:
    """The probes a fault happens to, as far as it can happen to them."""
    if item.value("probe") is not None:
        key = _choice(item, "probe", [probe.key for probe in probes], None)
        named = [probe for probe in probes if probe.key == key]
    elif item.value("place") is not None:
        bins = {probe.place.partition("/")[0] for probe in probes}
        place = _choice(item, "place", sorted({probe.place for probe in probes} | bins), None)
        named = [probe for probe in probes if probe.place == place or probe.place.startswith(f"{place}/")]
    elif kind in _FOR_ALL:
        return list(probes)
    else:
        item.note("'probe' or 'place' is missing", "probe", item.node)
        return []
    able = [probe for probe in named if _can(kind, probe)]
    if named and not able:
        item.note(f"no probe there that {kind.value} could happen to", "kind")
    return able


def _can(kind: Kind, probe: Probe) -> bool:
    if kind is Kind.SENTINEL:
        return any(c.model == "ds18b20" for c in probe.channels)
    if kind in (Kind.OUT_OF_BEDDING, Kind.ELSEWHERE):
        return probe.spot is Spot.TRAY
    if kind is Kind.AIR_GAP:
        return any(c.model == "capacitive" for c in probe.channels)
    if kind is Kind.IN_POCKET:
        return probe.spot is Spot.TRAY and any(c.name == "temperature" for c in probe.channels)
    return True


def _fault_channel(item: Section, kind: Kind, concerned: list[Probe]) -> str:
    """The channel named, cut out of `concerned` where a probe lacks it."""
    needed = kind in _BENDING
    if item.value("channel") is None and not needed:
        return ""
    names = {c.name for probe in concerned for c in probe.channels if not (needed and c.name == "pump")}
    if item.value("channel") is None:
        item.note(f"'channel' is missing; say which reading is off{hint('', names)}", "channel", item.node)
        return ""
    name = _choice(item, "channel", sorted(names), None) if names else ""
    concerned[:] = [probe for probe in concerned if any(c.name == name for c in probe.channels)]
    return name


def _numbers(item: Section, kind: Kind) -> dict[str, float | int]:
    """What only this kind takes."""
    if kind is Kind.SPIKE:
        share = item.number("share", "percent", 5, high=100) / 100
        return {"size": item.number("size", "number", high=10_000), "share": share}
    if kind is Kind.DRIFT:
        return {"size": item.number("size", "number", low=-10_000, high=10_000)}
    if kind is Kind.SENTINEL:
        return {"value": _sentinel(item)}
    if kind is Kind.WRONG_CALIBRATION:
        factor = item.number("factor", "number", 1, low=-100, high=100)
        return {"factor": factor, "offset": item.number("offset", "number", 0, low=-10_000, high=10_000)}
    if kind is Kind.FLAKY_RADIO:
        lost, late = (item.number(key, "percent", usual, high=100) / 100 for key, usual in (("lost", 30), ("late", 20)))
        by_ms = round(item.number("late_by", "duration", 600_000, low=1_000, high=7 * _DAY_MS))
        return {"lost": lost, "late": late, "late_by_ms": by_ms}
    if kind is Kind.RADIO_GAPS:
        every_ms = round(item.number("every", "duration", 21_600_000, low=_MIN_MS))
        return {"every_ms": every_ms, "gap_ms": round(item.number("gap", "duration", 1_200_000, low=1_000))}
    if kind is Kind.ELSEWHERE:
        warmer, wetter = (item.number(key, "number", 0, low=-10, high=10) for key in ("warmer", "wetter"))
        return {"offset": warmer, "size": wetter}
    if kind is Kind.AIR_GAP:
        return {"size": item.number("open", "percent", high=100) / 100}
    if kind is Kind.REBOOTS:
        return {"every_ms": round(item.number("every", "duration", 1_800_000, low=_MIN_MS))}
    return {}


def _sentinel(item: Section) -> float:
    value = item.number("value", "number", -127, low=-math.inf)
    if value not in (-127, 85):
        item.note("a DS18B20 sends -127 (no contact) or 85 (just powered up)", "value")
    return value
