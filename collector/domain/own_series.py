"""Series that nobody publishes: oxygen as a share of saturation, and what the collector knows of itself.

`with_own_series` adds them to the lab as read from lab.yaml. They are judged like all others and not stored: the share
follows from two series that are, and how full the disk was last winter is no record of a worm bin.
"""

from dataclasses import replace

from collector.domain.lab import NOT_SENT, Channel, Format, Lab, Place, PlaceKind, Probe
from collector.domain.units import MEASURES, MS, OWN

COLLECTOR = "collector"
SELF_EVERY_MS = MS["min"]
SHARE = "oxygen_saturation"


def with_own_series(lab: Lab) -> Lab:
    """The lab with the collector as one more place and probe, and the share beside each oxygen probe in tea."""
    channels = tuple(Channel(key=name, measure=name, unit=MEASURES[name].unit, name=NOT_SENT) for name in OWN)
    probe = Probe(
        id=COLLECTOR, place=COLLECTOR, topic="", format=Format.NUMBER, channels=channels, every_ms=SELF_EVERY_MS
    )
    place = Place(id=COLLECTOR, kind=PlaceKind.COLLECTOR, label="The collector")
    probes = (*(_with_share(known) for known in lab.probes), probe)
    return replace(lab, places=(*lab.places, place), probes=probes)


def _with_share(probe: Probe) -> Probe:
    if find_channel(probe, "dissolved_oxygen") is None or find_channel(probe, "tea_temperature") is None:
        return probe
    return replace(probe, channels=(*probe.channels, Channel(key=SHARE, measure=SHARE, unit="%", name=NOT_SENT)))


def find_channel(probe: Probe, measure: str) -> Channel | None:
    """The first channel of the probe that measures this; None where none does."""
    return next((channel for channel in probe.channels if channel.measure == measure), None)
