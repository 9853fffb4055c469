"""The probes of a lab: what they measure, how they send it, and each one's habits."""

from dataclasses import replace

from sim_sensors import probe_setup
from sim_sensors.family import ranges
from sim_sensors.family.parts import Draws, Lab
from sim_sensors.probe_faults import Kind, ProbeFault
from sim_sensors.probe_setup import Channel, Format, Probe, Spot

MIN_MS, HOUR_MS = 60_000, 3_600_000
INTERVALS_MS = (MIN_MS, MIN_MS, 5 * MIN_MS, 5 * MIN_MS, 15 * MIN_MS)
BREW_EVERY_MS = MIN_MS


def fit(lab: Lab, draws: Draws) -> None:
    """One style for the lab, with exceptions; then the radio and the errors of each probe."""
    lab.every_ms = draws.one(INTERVALS_MS)
    style = draws.one((Format.SENML, Format.SENML, Format.JSON, Format.SENML_CBOR, Format.NUMBER))
    weak = draws.chance(0.2)
    for one in lab.trays:
        without_moisture = draws.chance(0.12)
        names: tuple[str, ...] = ("temperature",) if without_moisture else ("temperature", "moisture")
        lab.probes += _boxes(lab, draws, one.place, Spot.TRAY, names, style)
    if not draws.chance(0.1):
        names = draws.one((("air-temperature", "humidity"), ("air-temperature", "humidity"), ("air-temperature",)))
        lab.probes += _boxes(lab, draws, "room", Spot.ROOM, names, style)
    for brewer in lab.brewers:
        tea = _boxes(lab, draws, brewer.place, Spot.BREWER, ("temperature", "oxygen", "pump"), Format.SENML)
        lab.probes += [replace(box, every_ms=BREW_EVERY_MS, jitter_ms=2_000) for box in tea]
    for probe in lab.probes:
        _habits(lab, draws, probe, weak)


def _boxes(lab: Lab, draws: Draws, place: str, spot: Spot, names: tuple[str, ...], style: Format) -> list[Probe]:
    """One box with all channels, or where a message holds one number one for each."""
    key = place.replace("/", "-")
    channels = [_channel(draws, spot, name, style) for name in names]
    if style is Format.NUMBER:
        return [_box(lab, draws, f"{key}-{one.name}", place, spot, style, (one,)) for one in channels]
    if spot is not Spot.ROOM:
        channels.append(probe_setup.channel(spot, "battery"))
    return [_box(lab, draws, key, place, spot, style, tuple(channels))]


def _channel(draws: Draws, spot: Spot, name: str, style: Format) -> Channel:
    usual = probe_setup.channel(spot, name)
    model = draws.one(probe_setup.OFFERED[spot][name])
    plain = style in (Format.JSON, Format.NUMBER)
    unit = draws.one(("Cel", "degC", "degF")) if plain and name.endswith("temperature") else usual.unit
    return replace(usual, model=model, unit=unit)


def _box(
    lab: Lab, draws: Draws, key: str, place: str, spot: Spot, style: Format, channels: tuple[Channel, ...]
) -> Probe:
    has_clock = style is not Format.NUMBER and draws.chance(0.75)
    topic = f"worms/{place}/{key}" if style is Format.NUMBER else f"worms/{place}"
    return Probe(
        key=key,
        place=place,
        spot=spot,
        topic=topic,
        format=style,
        channels=channels,
        every_ms=lab.every_ms,
        jitter_ms=round(draws.random.uniform(0.5, 5) * 1000),
        clock_ms=round(draws.of(ranges.CLOCK_S) * 1000) if has_clock else None,
        clock_gain_ms_day=draws.of(ranges.CLOCK_S_DAY) * 1000,
        noise=draws.of(ranges.NOISE),
        duplicates=draws.one((0.0, 0.0, 0.01, 0.03)),
        reboots_month=draws.one((0.0, 1.0, 4.0, 10.0)),
        retain=draws.chance(0.2),
    )


def _habits(lab: Lab, draws: Draws, probe: Probe, weak: bool) -> None:
    """Gaps, losses, an air gap that grows, slow drift."""
    whole = ProbeFault(Kind.RADIO_GAPS, probe.key, probe.place, 0, lab.length_ms)
    every, gap = (ranges.WEAK_EVERY_H, ranges.WEAK_GAP_MIN) if weak else (ranges.GAPS_EVERY_H, ranges.GAP_MIN)
    wired = probe.spot is Spot.BREWER and draws.chance(0.7)
    if not wired:
        every_ms, gap_ms = round(draws.of(every) * HOUR_MS), round(draws.of(gap) * MIN_MS)
        lab.probe_faults.append(replace(whole, every_ms=every_ms, gap_ms=gap_ms))
        lost = replace(whole, kind=Kind.FLAKY_RADIO, lost=draws.of(ranges.LOST), late=0.0)
        lab.probe_faults.append(lost)
    if any(channel.name == "moisture" for channel in probe.channels):
        if draws.chance(0.15):
            lab.probe_faults.append(replace(whole, kind=Kind.AIR_GAP, size=draws.of(ranges.AIR_GAP)))
        if draws.chance(0.3):
            counts = -15 * draws.of(ranges.DRIFT_PCT_DAY)
            lab.probe_faults.append(replace(whole, kind=Kind.DRIFT, channel="moisture", size=counts))
