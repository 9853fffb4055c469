"""Oxygen as a share of saturation, worked out from the readings of the two channels it follows from."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from collector.alarms.chunk import Readings
from collector.brew.oxygen import pressure_kpa, saturations_mg_l
from collector.domain.lab import Lab, SeriesKey
from collector.domain.own_series import SHARE, find_channel
from collector.domain.quality_tests import aggregate
from collector.domain.readings import Flag


@dataclass(frozen=True, slots=True, kw_only=True)
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
        oxygen, temperature = find_channel(probe, "dissolved_oxygen"), find_channel(probe, "tea_temperature")
        share = find_channel(probe, SHARE)
        if oxygen is None or temperature is None or share is None:
            continue
        own, of, at = (
            ids.get(SeriesKey(probe=probe.id, channel=channel.key, measure=channel.measure, place=probe.place))
            for channel in (share, oxygen, temperature)
        )
        if own is not None and of is not None and at is not None:
            found.append(Share(series=own, oxygen=of, temperature=at, kpa=pressure_kpa(lab.altitude_m)))
    return tuple(found)


def add_shares(batch: dict[int, Readings], wanted: tuple[Share, ...], clock_ms: Callable[[int], int]) -> None:
    """The share for each moment at which both were read, as good as the worse of the two; not for moments that its
    alarms are past, by `clock_ms` of the series."""
    for share in wanted:
        oxygen, warmth = batch.get(share.oxygen), batch.get(share.temperature)
        if oxygen is None or warmth is None:
            continue
        t_ms, at, beside = np.intersect1d(oxygen.t_ms, warmth.t_ms, assume_unique=True, return_indices=True)
        new = t_ms > clock_ms(share.series)
        t_ms, at, beside = t_ms[new], at[new], beside[new]
        if t_ms.size:
            value = 100 * oxygen.value[at] / saturations_mg_l(warmth.value[beside], share.kpa)
            flags = aggregate(oxygen.flags[at], warmth.flags[beside])
            flags[~np.isfinite(value)] = Flag.MISSING
            batch[share.series] = Readings(t_ms, value, flags)
