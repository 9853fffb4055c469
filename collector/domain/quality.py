"""From values to flags: the quality tests run over a series as it comes in, in pieces of any size.

    own value     gross range and the probe's own codes: can this number be true by itself?
    neighbours    spike, rate of change, flat line, gap: can it be true after the ones before it?
    bedding       moisture: can a tray have dried so fast, or is the probe out of it? (`collector.domain.bedding`)

Only readings that pass the first stage take part in the second: a -127 or a NaN is nobody's neighbour. Decisions where
tests leave a choice stand in `collector.domain.quality_tests`; those about the whole are here:

- Causal: a flag depends on earlier readings only, since alarms act on it at once. Nothing stored is flagged again.
- How a series is cut into pieces never changes a flag; neither does a stop and a restart (`memory_from_rows`).
- A gap is marked (`Why.GAP`) on the first usable reading after it and on the first of a series. It does not
  degrade the flag: spike and rate say 2, the range test says 1, and 1 outranks 2.
- DS18B20 at exactly 85 degC: missing when nothing is known before it or the jump there is too much for the spike or
  rate test, else suspect. A bed that honestly passes 85 does so in small steps.
- `Why.CALIBRATION` by itself does not degrade a flag. Were readings past the last calibration point suspect, a
  probe calibrated at 0 and 25 degC could raise an alarm at 28 but never clear it at 26. The reason is kept beside
  the value; what the extension makes implausible, the range test flags.
- `Why.NOT_THE_BEDDING` fails a reading, which is a neighbour to the others all the same.
- `Why.FUTURE` makes a reading suspect: its time is not its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.domain.bedding import BedMemory, out_of_bedding, remember_bed
from collector.domain.probe_models import OFF, Limits
from collector.domain.quality_tests import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    PASS,
    SUSPECT,
    aggregate,
    flat_flags,
    gap,
    gross_range,
    rate_of_change,
    spike,
    still_since,
)
from collector.domain.readings import Why

FlagArray = NDArray[np.uint8]
FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.int64]
WhyArray = NDArray[np.uint16]

_CODE_TOLERANCE = 0.001  # codes pass through float32 and decimal text on their way
_BY_NEIGHBOURS = int(Why.SPIKE | Why.RATE | Why.FLAT | Why.NOT_THE_BEDDING)
_OUT = np.uint16(Why.NOT_THE_BEDDING)
_SENTINEL = np.uint16(Why.SENTINEL)
_RANGE_BITS = np.uint16(Why.RANGE_SUSPECT | Why.RANGE_FAIL | Why.NOT_A_NUMBER)
_RANGE_WHY = np.zeros(10, np.uint16)
_RANGE_WHY[[SUSPECT, FAIL, MISSING]] = Why.RANGE_SUSPECT, Why.RANGE_FAIL, Why.NOT_A_NUMBER


class Seen(NamedTuple):
    """One usable reading remembered."""

    t_ms: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityMemory:
    """What must be remembered of a series between pieces: three readings, a time and, of moisture, what was held,
    however long its windows."""

    last: Seen | None = None
    """The newest usable reading."""
    still_since_ms: int = 0
    """Since when the value has been what it is in `last`, with no gap."""
    spike_ok: Seen | None = None
    """The last reading the spike test accepted."""
    rate_ok: Seen | None = None
    bed: BedMemory = field(default_factory=BedMemory)
    """Whether the probe was in its bedding."""


def no_memory() -> QualityMemory:
    """The memory of a series of which nothing is known."""
    return QualityMemory()


def memory_from_rows(
    t_ms: TimeArray, value: FloatArray, flag: FlagArray, why: WhyArray, before: QualityMemory | None = None
) -> QualityMemory:
    """The memory as it was after these stored rows, in order of time; rows marked late are left out. `before`: what was
    remembered of earlier rows, so that a long stretch can be read in pieces.

    Later flags are the same as if the series had never stopped, provided the rows reach back `Limits.memory_ms` from
    the newest. A missing value is NaN here.
    """
    by_neighbours = (why & _BY_NEIGHBOURS) != 0
    usable = ((flag != FAIL) & (flag != MISSING)) | by_neighbours
    usable &= np.isfinite(value) & ((why & Why.LATE) == 0)
    before = no_memory() if before is None else before
    if not usable.any():
        return before
    t_ms, value, why = t_ms[usable], value[usable], why[usable]
    after_gap = (why & Why.GAP) != 0
    starts = np.flatnonzero((value[1:] != value[:-1]) | after_gap[1:]) + 1
    still_since_ms = int(t_ms[starts[-1] if starts.size else 0])
    if not starts.size and before.last is not None and before.last.value == value[0] and not after_gap[0]:
        still_since_ms = before.still_since_ms
    return QualityMemory(
        last=Seen(int(t_ms[-1]), float(value[-1])),
        still_since_ms=still_since_ms,
        spike_ok=_last_mark(t_ms, value, (why & Why.SPIKE) == 0) or before.spike_ok,
        rate_ok=_last_mark(t_ms, value, (why & Why.RATE) == 0) or before.rate_ok,
        bed=remember_bed(before.bed, t_ms, value, (why & _OUT) != 0),
    )


def judge(
    limits: Limits, memory: QualityMemory, t_ms: TimeArray, raw: FloatArray, value: FloatArray, why: WhyArray
) -> tuple[FlagArray, WhyArray, QualityMemory]:
    """Flags and reasons for new readings of one series, and the memory to judge the next ones with.

    `t_ms` increases strictly and is newer than the memory. `why` holds what is known already (time of arrival,
    calibration).
    """
    flags, why = _by_itself(limits, raw, value, why)
    if t_ms.size == 0:
        return flags, why, memory
    usable = (flags != FAIL) & (flags != MISSING)
    if limits.power_up is not None and _holds(raw, limits.power_up).any():
        _check_power_up(limits, limits.power_up, memory, t_ms, raw, value, flags, why, usable)
    if usable.all():
        by_neighbours, reasons, memory = _beside_others(limits, memory, t_ms, value)
        return aggregate(flags, by_neighbours), why | reasons, memory
    if usable.any():
        by_neighbours, reasons, memory = _beside_others(limits, memory, t_ms[usable], value[usable])
        flags[usable] = aggregate(flags[usable], by_neighbours)
        why[usable] |= reasons
    return flags, why, memory


def _beside_others(
    limits: Limits, memory: QualityMemory, t_ms: TimeArray, value: FloatArray
) -> tuple[FlagArray, WhyArray, QualityMemory]:
    """What usable readings are worth after those before them."""
    bed = memory.bed
    flags, why, memory = _among_neighbours(limits, memory, t_ms, value)
    if limits.dries:
        out, bed = out_of_bedding(bed, t_ms, value)
        memory = replace(memory, bed=bed)
        if out.any():
            flags[out] = FAIL
            why[out] |= _OUT
    return flags, why, memory


def judge_late(limits: Limits, raw: FloatArray, value: FloatArray, why: WhyArray) -> tuple[FlagArray, WhyArray]:
    """Flags for readings that come too late to be judged in order: range and codes only. 85 degC, its neighbours
    unknown, is missing."""
    flags, why = _by_itself(limits, raw, value, why)
    if limits.power_up is not None:
        _mark_code(flags, why, _holds(raw, limits.power_up), MISSING)
    return flags, why | np.uint16(Why.LATE)


def _by_itself(limits: Limits, raw: FloatArray, value: FloatArray, why: WhyArray) -> tuple[FlagArray, WhyArray]:
    flags = gross_range(value, limits.suspect, limits.fail)
    why = why.astype(np.uint16)
    if flags.size and flags.max() > PASS:
        flags[np.isinf(raw) & np.isnan(value)] = FAIL  # an infinity that a calibration line turned into nothing
        why |= _RANGE_WHY[flags]
    if limits.codes and (near := raw <= max(limits.codes) + _CODE_TOLERANCE).any():
        near[near] = np.abs(raw[near, None] - limits.codes).min(axis=1) <= _CODE_TOLERANCE
        _mark_code(flags, why, near, MISSING)
    if limits.pinned is not None:
        _mark_code(flags, why, (raw <= limits.pinned[0]) | (raw >= limits.pinned[1]), FAIL)
    ahead = (why & Why.FUTURE) != 0
    flags[ahead & (flags == PASS)] = SUSPECT
    return flags, why


def _mark_code(flags: FlagArray, why: WhyArray, where: NDArray[np.bool_] | list[int], flag: int) -> None:
    """A code is no measurement, so what the range test thought of it is taken back."""
    flags[where] = flag
    why[where] = (why[where] & ~_RANGE_BITS) | _SENTINEL


def _check_power_up(
    limits: Limits,
    power_up: float,
    memory: QualityMemory,
    t_ms: TimeArray,
    raw: FloatArray,
    value: FloatArray,
    flags: FlagArray,
    why: WhyArray,
    usable: NDArray[np.bool_],
) -> None:
    """Decide every reading that holds the power-up value, in order: 3 after a small step, else 9 and not usable."""
    held = usable & _holds(raw, power_up)
    others = np.where(usable & ~held, np.arange(t_ms.size), -1)
    newest_other = np.maximum.accumulate(others).tolist()
    kept = -1
    refused: list[int] = []
    for i in np.flatnonzero(held).tolist():
        before = max(newest_other[i], kept)
        last = Seen(int(t_ms[before]), float(value[before])) if before >= 0 else memory.last
        if last is not None and _small_step(limits, last, Seen(int(t_ms[i]), float(value[i]))):
            kept = i
            flags[i] = SUSPECT
            why[i] |= _SENTINEL
        else:
            usable[i] = False
            refused.append(i)
    _mark_code(flags, why, refused, MISSING)


def _holds(raw: FloatArray, code: float) -> NDArray[np.bool_]:
    close: NDArray[np.bool_] = np.abs(raw - code) <= _CODE_TOLERANCE
    return close


def _small_step(limits: Limits, last: Seen, new: Seen) -> bool:
    span_ms, step = new.t_ms - last.t_ms, abs(new.value - last.value)
    allowed = min(limits.spike.suspect, limits.rate.suspect * max(span_ms, limits.every_ms) / 1000)
    return span_ms <= limits.gap_ms and step <= allowed


def _among_neighbours(
    limits: Limits, memory: QualityMemory, t_ms: TimeArray, value: FloatArray
) -> tuple[FlagArray, WhyArray, QualityMemory]:
    """The tests that compare usable readings with the ones before them, joined to what the memory remembers."""
    marks = sorted({mark for mark in (memory.spike_ok, memory.rate_ok, memory.last) if mark is not None})
    known = len(marks)
    if known:
        t_ms = np.concatenate((np.array([mark.t_ms for mark in marks], np.int64), t_ms))
        value = np.concatenate((np.array([mark.value for mark in marks], np.float64), value))
    spikes = rates = np.full(t_ms.size, NOT_EVALUATED, np.uint8)
    if limits.spike != OFF:
        prior = _prior(marks, memory.spike_ok)
        spikes = spike(t_ms, value, limits.spike.suspect, limits.spike.fail, gap_ms=limits.gap_ms, prior=prior)
    if limits.rate != OFF:
        prior = _prior(marks, memory.rate_ok)
        rates = rate_of_change(
            t_ms,
            value,
            limits.rate.suspect,
            limits.rate.fail,
            gap_ms=limits.gap_ms,
            least_ms=limits.every_ms,
            prior=prior,
        )
    first = max(0, known - 1)
    since = still_since(
        t_ms[first:],
        value[first:],
        gap_ms=limits.gap_ms,
        first_since_ms=memory.still_since_ms if known else None,
    )[known - first :]
    gaps = gap(t_ms[first:], limits.gap_ms, limits.gap_ms)[known - first :] != PASS
    new_memory = QualityMemory(
        last=Seen(int(t_ms[-1]), float(value[-1])),
        still_since_ms=int(since[-1]),
        spike_ok=_last_mark(t_ms, value, spikes <= NOT_EVALUATED),
        rate_ok=_last_mark(t_ms, value, rates <= NOT_EVALUATED),
    )
    spikes, rates = spikes[known:], rates[known:]
    flats = _flat(limits, t_ms[known:], value[known:], since)
    return aggregate(spikes, rates, flats), _reasons(spikes, rates, flats, gaps), new_memory


def _flat(limits: Limits, t_ms: TimeArray, value: FloatArray, since: TimeArray) -> FlagArray:
    if limits.flat_ms is None:
        return np.full(t_ms.size, NOT_EVALUATED, np.uint8)
    flags = flat_flags(t_ms - since, *limits.flat_ms)
    if limits.flat_below < np.inf:
        flags[value >= limits.flat_below] = NOT_EVALUATED
    return flags


def _reasons(spikes: FlagArray, rates: FlagArray, flats: FlagArray, gaps: NDArray[np.bool_]) -> WhyArray:
    why = np.zeros(gaps.size, np.uint16)
    for doubted, reason in (
        (spikes > NOT_EVALUATED, Why.SPIKE),
        (rates > NOT_EVALUATED, Why.RATE),
        (flats > NOT_EVALUATED, Why.FLAT),
        (gaps, Why.GAP),
    ):
        if doubted.any():
            why[doubted] |= np.uint16(reason)
    return why


def _prior(marks: Sequence[Seen], accepted: Seen | None) -> FlagArray:
    return np.array([PASS if mark == accepted else SUSPECT for mark in marks], np.uint8)


def _last_mark(t_ms: TimeArray, value: FloatArray, accepted: NDArray[np.bool_]) -> Seen | None:
    if accepted[-1]:
        return Seen(int(t_ms[-1]), float(value[-1]))
    found = np.flatnonzero(accepted)
    return Seen(int(t_ms[found[-1]]), float(value[found[-1]])) if found.size else None
