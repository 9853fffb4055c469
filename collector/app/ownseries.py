"""Series that nobody publishes: oxygen as a share of saturation, and what the collector knows of itself.

`with_own_series` adds them to the lab as read from lab.yaml. They are judged like all others and not stored: the share
follows from two series that are, and how full the disk was last winter is no record of a worm bin.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from collector.alarms.chunk import Readings
from collector.brew.oxygen import pressure_kpa, saturations_mg_l
from collector.domain.lab import NOT_SENT, Channel, Format, Lab, Place, PlaceKind, Probe, SeriesKey
from collector.domain.quality_tests import aggregate
from collector.domain.readings import Flag
from collector.domain.units import MEASURES, MS, OWN

COLLECTOR = "collector"
SELF_EVERY_MS = MS["min"]
_SHARE = "oxygen_saturation"


def with_own_series(lab: Lab) -> Lab:
    """The lab with the collector as one more place and probe, and the share beside each oxygen probe in tea."""
    channels = tuple(Channel(name, name, MEASURES[name].unit, NOT_SENT) for name in OWN)
    probe = Probe(COLLECTOR, COLLECTOR, "", Format.NUMBER, channels, SELF_EVERY_MS)
    place = Place(COLLECTOR, PlaceKind.COLLECTOR, "The collector")
    probes = (*(_with_share(one) for one in lab.probes), probe)
    return replace(lab, places=(*lab.places, place), probes=probes)


def _with_share(probe: Probe) -> Probe:
    if _find(probe, "dissolved_oxygen") is None or _find(probe, "tea_temperature") is None:
        return probe
    return replace(probe, channels=(*probe.channels, Channel(_SHARE, _SHARE, "%", NOT_SENT)))


def _find(probe: Probe, measure: str) -> Channel | None:
    return next((channel for channel in probe.channels if channel.measure == measure), None)


@dataclass(frozen=True, slots=True)
class Share:
    """One share and the series it follows from."""

    series: int
    oxygen: int
    temperature: int
    kpa: float


def shares(lab: Lab, ids: Mapping[SeriesKey, int]) -> tuple[Share, ...]:
    """What is to be computed in a lab made by `with_own_series`."""
    found = []
    for probe in lab.probes:
        oxygen, temperature = _find(probe, "dissolved_oxygen"), _find(probe, "tea_temperature")
        share = _find(probe, _SHARE)
        if oxygen is None or temperature is None or share is None:
            continue
        own, of, at = (
            ids.get(SeriesKey(probe.id, one.key, one.measure, probe.place)) for one in (share, oxygen, temperature)
        )
        if own is not None and of is not None and at is not None:
            found.append(Share(own, of, at, pressure_kpa(lab.altitude_m)))
    return tuple(found)


def add_shares(batch: dict[int, Readings], wanted: tuple[Share, ...], clock_ms: Callable[[int], int]) -> None:
    """The share for each moment at which both were read, as good as the worse of the two; not for moments that its
    alarms are past, by `clock_ms` of the series."""
    for one in wanted:
        oxygen, warmth = batch.get(one.oxygen), batch.get(one.temperature)
        if oxygen is None or warmth is None:
            continue
        t_ms, at, beside = np.intersect1d(oxygen.t_ms, warmth.t_ms, assume_unique=True, return_indices=True)
        new = t_ms > clock_ms(one.series)
        t_ms, at, beside = t_ms[new], at[new], beside[new]
        if t_ms.size:
            value = 100 * oxygen.value[at] / saturations_mg_l(warmth.value[beside], one.kpa)
            flags = aggregate(oxygen.flags[at], warmth.flags[beside])
            flags[~np.isfinite(value)] = Flag.MISSING
            batch[one.series] = Readings(t_ms, value, flags)
