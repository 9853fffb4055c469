"""The lab of `World`: its places, its probes, and the numbers of its series."""

from collector.domain.lab import Lab, Series, SeriesKey, series_keys, subjects
from tests.worlds import values
from tests.worlds.values import KETTLE, MOISTURE, ROOM, TEMPERATURE, bin_of, probe


def lab() -> Lab:
    """Bin Juniper with three probes in two trays, Maple with one, the room's air, brewer Kettle."""
    bed = (TEMPERATURE, MOISTURE)
    probes = (
        probe("jt", "juniper/top", *bed, topic="worms/jt"),
        probe("jt2", "juniper/top", *bed, topic="worms/jt2"),
        probe("jb", "juniper/bottom", TEMPERATURE),
        probe("mt", "maple/top", *bed),
        probe("air", "room", values.AIR),
    )
    trays = ("top", "bottom")
    return values.lab(places=(ROOM, KETTLE, *bin_of("juniper", *trays), *bin_of("maple", *trays)), probes=probes)


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
