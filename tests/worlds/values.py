"""Quillbrook School as values: moments, places, probes, series, the lab. Each builder has a default for all that a test
does not care about."""

from collector.domain.lab import Channel, Format, Lab, Place, PlaceKind, Probe, Series

T0 = 1_772_438_400_000
"""2026-03-02T08:00:00Z, a Monday."""
MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000
SCHOOL = "Quillbrook School"
TRAYS = ("top", "middle", "bottom")

ROOM = Place(id="room", kind=PlaceKind.ROOM, label="Room")
KETTLE = Place(id="kettle", kind=PlaceKind.BREWER, label="Kettle")
TEMPERATURE = Channel(key="t", measure="bedding_temperature", unit="Cel")
MOISTURE = Channel(key="m", measure="bedding_moisture", unit="%")
AIR = Channel(key="t", measure="air_temperature", unit="Cel")


def tray(place: str, level: int = 0) -> Place:
    """Such as 'juniper/top'."""
    name, _, key = place.partition("/")
    label = f"{name.title()}, {key} tray"
    return Place(id=place, kind=PlaceKind.TRAY, label=label, bin=name, tray=key, level=level)


def bin_of(name: str, *trays: str) -> tuple[Place, ...]:
    """The bin and its trays, from the top."""
    below = (tray(f"{name}/{key}", level) for level, key in enumerate(trays or TRAYS))
    return (Place(id=name, kind=PlaceKind.BIN, label=name.title(), bin=name), *below)


def probe(
    name: str,
    place: str,
    *channels: Channel,
    topic: str = "",
    format: Format = Format.SENML_JSON,
    every_ms: int = MIN,
) -> Probe:
    """One that publishes to `worms/` and its place."""
    return Probe(
        id=name, place=place, topic=topic or f"worms/{place}", format=format, channels=channels, every_ms=every_ms
    )


def lab(*, places: tuple[Place, ...] = (), time_zone: str = "UTC", us_units: bool = False, **more: object) -> Lab:
    """An empty lab, or one of these places; `more` are other fields of Lab."""
    fields: dict[str, object] = {"name": SCHOOL, "probes": (), "people": (), **more}
    return Lab(places=places, time_zone=time_zone, us_units=us_units, **fields)  # type: ignore[arg-type]


def quillbrook(*more: Probe) -> Lab:
    """Bins Juniper and Maple of three trays, one temperature and moisture probe per tray; and more probes."""
    places = (ROOM, *bin_of("juniper"), *bin_of("maple"))
    probes = (
        probe(f"p{number}", place.id, TEMPERATURE, MOISTURE)
        for number, place in enumerate(places)
        if place.kind is PlaceKind.TRAY
    )
    return lab(places=places, probes=(*probes, *more))


def series(
    number: int = 1,
    measure: str = "bedding_temperature",
    place: str = "juniper/top",
    *,
    probe: str = "",
    channel: str = "c",
    unit: str = "degC",
) -> Series:
    """A series of a probe of its own."""
    return Series(id=number, probe=probe or f"p{number}", channel=channel, measure=measure, place=place, unit=unit)
