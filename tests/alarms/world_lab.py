"""The lab of `World`: its places, its probes, and the numbers of its series."""

from collector.domain.lab import Channel, Format, Lab, Place, PlaceKind, Probe, Series, SeriesKey, series_keys, subjects


def lab() -> Lab:
    """Bin Juniper with three probes in two trays, Maple with one, the room's air, brewer Kettle."""
    places = [
        Place(id="room", kind=PlaceKind.ROOM, label="Room"),
        Place(id="kettle", kind=PlaceKind.BREWER, label="Kettle"),
    ]
    for name in ("juniper", "maple"):
        places.append(Place(id=name, kind=PlaceKind.BIN, label=name.title(), bin=name))
        places += [
            Place(
                id=f"{name}/{tray}",
                kind=PlaceKind.TRAY,
                label=f"{name.title()}, {tray} tray",
                bin=name,
                tray=tray,
                level=level,
            )
            for level, tray in enumerate(("top", "bottom"))
        ]
    bed = (
        Channel(key="t", measure="bedding_temperature", unit="Cel"),
        Channel(key="m", measure="bedding_moisture", unit="%"),
    )
    air = (Channel(key="t", measure="air_temperature", unit="Cel"),)
    where: list[tuple[str, str, tuple[Channel, ...]]] = [("jt", "juniper/top", bed), ("jt2", "juniper/top", bed)]
    where += [("jb", "juniper/bottom", bed[:1]), ("mt", "maple/top", bed), ("air", "room", air)]
    probes = [
        Probe(id=name, place=place, topic=f"worms/{name}", format=Format.SENML_JSON, channels=channels)
        for name, place, channels in where
    ]
    return Lab(
        name="Quillbrook School", time_zone="UTC", us_units=False, places=tuple(places), probes=tuple(probes), people=()
    )


LAB = lab()
SERIES = tuple(
    Series(id=number, probe=key.probe, channel=key.channel, measure=key.measure, place=key.place, unit="")
    for number, key in enumerate((*series_keys(LAB), *subjects(LAB)), start=1)
)
NUMBER = {
    SeriesKey(probe=one.probe, channel=one.channel, measure=one.measure, place=one.place): one.id for one in SERIES
}
READ = tuple(one.id for one in SERIES if one.measure)
"""The series that have readings."""
JT_TEMPERATURE, JT_MOISTURE, JT2_TEMPERATURE, JT2_MOISTURE, JB_TEMPERATURE, MT_TEMPERATURE, MT_MOISTURE, AIR = READ
PROBE_JT, BIN_JUNIPER = (
    NUMBER[SeriesKey(probe="jt", channel="", measure="", place="juniper/top")],
    NUMBER[SeriesKey(probe="", channel="", measure="", place="juniper")],
)
