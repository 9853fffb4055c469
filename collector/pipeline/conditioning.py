"""From what a probe said to a value and how far it is to be trusted: one way, for what comes in and for what is stored.

raw -> value -> flag      the channel's own unit -> the unit of its measure, calibrated -> quality
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from collector.domain.calibration import calibrate
from collector.domain.calibration_points import is_uncalibrated
from collector.domain.lab import Channel, Lab, Probe, Series, SeriesKey
from collector.domain.probe_models import Limits, limits_for
from collector.domain.quality import QualityMemory, judge, judge_late, memory_from_rows, no_memory
from collector.domain.readings import Flag, Why
from collector.domain.units import from_sent
from collector.store.tables.tails import Tail


@dataclass(slots=True, kw_only=True)
class Conditioner:
    """Of one series. Arrays are of its readings in the order of their times, one element each: `t_ms` in ms UTC, `raw`
    in the channel's own unit, `value` in the unit of its measure, `why` reasons as of `domain.readings.Why`."""

    series: Series
    channel: Channel
    limits: Limits
    memory: QualityMemory
    """What the quality checks know of the readings before."""
    scale: float
    offset: float
    uncalibrated: bool = False
    """Whether what it sends is no value yet: kept raw and never judged."""

    def values(
        self, t_ms: NDArray[np.int64], raw: NDArray[np.float64], why: NDArray[np.uint16]
    ) -> tuple[NDArray[np.float64], NDArray[np.uint16]]:
        """(value, why): calibrated as the lab says today, with what that adds to the reasons."""
        if self.uncalibrated:
            return np.full(raw.size, np.nan), why | np.uint16(Why.UNCALIBRATED)
        if self.channel.calibrations:
            value, found = calibrate(self.channel.calibrations, t_ms, raw)
            return value, why | found
        if (self.scale, self.offset) == (1.0, 0.0):
            return raw, why
        with np.errstate(over="ignore"):  # a number beyond all numbers is no plausible value either
            return raw * self.scale + self.offset, why

    def judge(
        self,
        t_ms: NDArray[np.int64],
        raw: NDArray[np.float64],
        value: NDArray[np.float64],
        why: NDArray[np.uint16],
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        """(flags, why) of readings newer than all before, which these are remembered with from here on."""
        if self.uncalibrated:
            return _not_evaluated(raw, why)
        flags, why, self.memory = judge(self.limits, self.memory, t_ms, raw, value, why)
        return flags, why

    def judge_late(
        self, raw: NDArray[np.float64], value: NDArray[np.float64], why: NDArray[np.uint16]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
        """(flags, why) of readings that come too late to be judged in order; nothing remembers them."""
        if self.uncalibrated:
            flags, why = _not_evaluated(raw, why)
            return flags, why | np.uint16(Why.LATE)
        return judge_late(self.limits, raw, value, why)


def _not_evaluated(raw: NDArray[np.float64], why: NDArray[np.uint16]) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
    """(flags, why) of raw numbers that mean nothing yet, and of what is no number."""
    none = np.isnan(raw)
    flags = np.where(none, np.uint8(Flag.MISSING), np.uint8(Flag.NOT_EVALUATED))
    return flags, why | none.astype(np.uint16) * np.uint16(Why.NOT_A_NUMBER)


def conditioners_of(
    lab: Lab, numbers: Mapping[SeriesKey, int], memories: Mapping[int, QualityMemory]
) -> dict[int, Conditioner]:
    """Number -> conditioner, for each series of the lab that has a number. `memories`: number -> what is remembered."""
    found = {}
    for probe in lab.probes:
        for channel in probe.channels:
            number = numbers.get(key_of(probe, channel))
            if number is not None:
                found[number] = _conditioner(number, probe, channel, memories.get(number) or no_memory())
    return found


def _conditioner(number: int, probe: Probe, channel: Channel, memory: QualityMemory) -> Conditioner:
    scale, offset = from_sent(channel.measure, channel.unit) or (1.0, 0.0)
    limits = limits_for(channel.measure, channel.model, probe.every_ms, channel.unit)
    return Conditioner(
        series=make_series(number, probe, channel),
        channel=channel,
        limits=limits,
        memory=memory,
        scale=scale,
        offset=offset,
        uncalibrated=is_uncalibrated(channel),
    )


def key_of(probe: Probe, channel: Channel) -> SeriesKey:
    """By what the journal knows the series of a channel."""
    return SeriesKey(probe=probe.id, channel=channel.key, measure=channel.measure, place=probe.place)


def make_series(number: int, probe: Probe, channel: Channel) -> Series:
    """The series of a channel, by its number in the journal."""
    return Series(
        id=number,
        probe=probe.id,
        channel=channel.key,
        measure=channel.measure,
        place=probe.place,
        unit=channel.unit,
    )


def longest_memory_ms(lab: Lab) -> int:
    """How far back the quality checks of any series of the lab look."""
    limits = (limits_for(c.measure, c.model, p.every_ms, c.unit) for p in lab.probes for c in p.channels)
    return max((limit.memory_ms for limit in limits), default=0)


def memories_of(recent: Mapping[int, Tail]) -> dict[int, QualityMemory]:
    """Number -> what the quality checks would remember of these stored readings."""
    return {number: memory_from_rows(rows.t_ms, rows.value, rows.flag, rows.why) for number, rows in recent.items()}
