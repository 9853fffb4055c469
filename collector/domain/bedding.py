"""Whether a moisture probe is in its bedding, by what water cannot do: the readings of a probe that was lifted out at a
harvest, laid on a table or half pulled by its cable are about the air.

A tray of 3 kg at 75 % that puts all of 200 W (a heater beside it) into drying loses 0.3 kg of water an hour (latent
heat 2.45 MJ/kg, FAO-56), and its moisture falls by 2.8 points an hour (mass balance). So

    held     the lowest reading of a stretch of two hours: a splash of water that sinks past the probe is not held
    floor    the highest `held` so far, less 3 points for each hour since, less 10 for noise and for bedding turned over
    out      usable and below the floor; then all below 35 %, until a reading is at or above both

Down to 35 % a probe that stays low counts again when drying could have come as far: bedding that was swapped or turned
is told hours late. Below that no bedding got there by a jump: it counts again when the probe reads wetter. A tray that
dries by itself never meets the floor, however dry it gets. The 10 points, 35 % and two hours: common practice, no
source. Nothing is known of a probe that has not yet held a level for two hours, or reports less than once an hour.

Time is cut at quarters of an hour that do not depend on the readings; the floor is the same all through each.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.int64]
Mask = NDArray[np.bool_]

QUARTER_MS = 15 * 60_000
FALL = 0.75
"""Points of moisture that drying can take in a quarter of an hour."""
SLACK = 10.0
AIR = 35.0
"""In % of the wet weight: no bedding jumps to less, and a probe in air reads no more (common practice)."""
_HELD = 8
"""Quarters that a level must last to be held, beside the one it is held in."""
_FORGET = 160
"""Quarters after which even the highest level is no floor to the lowest reading: (115 + 15 - 10) / 0.75. That and what
a level must last is within `probe_models.BED_MEMORY_MS`."""
_WALK = 32
_STRIDE = 4096
_BEFORE_ALL = -(2**62)


@dataclass(frozen=True, slots=True)
class BedMemory:
    """What must be remembered of a series of moisture."""

    lows: tuple[tuple[int, float], ...] = ()
    """Quarter -> lowest reading in the bedding, of the last ones that had any; the newest may go on."""
    top: float = -np.inf
    """The highest of `held` + `FALL` for each quarter up to when it was held, the newest quarter left out."""
    seen: int = _BEFORE_ALL
    """Quarter of the newest usable reading."""
    out: bool = False
    """Whether that one was out of the bedding."""


def out_of_bedding(memory: BedMemory, t_ms: TimeArray, value: FloatArray) -> tuple[Mask, BedMemory]:
    """Which of these usable readings (ms, strictly increasing and newer than the memory; in %) are not about the
    bedding, and the memory to go on with."""
    out = np.zeros(t_ms.size, np.bool_)
    start = 0
    while start < t_ms.size:
        part = slice(start, start + (_STRIDE if t_ms.size - start > _WALK else _WALK))
        quarter = t_ms[part] // QUARTER_MS
        after = None if memory.out or quarter.size <= _WALK else _undisturbed(memory, quarter, value[part])
        if after is None:
            out[part], memory = _walk(memory, quarter.tolist(), value[part].tolist())
        else:
            memory = after
        start += quarter.size
    return out, memory


def remember_bed(memory: BedMemory, t_ms: TimeArray, value: FloatArray, out: Mask) -> BedMemory:
    """The memory after stored usable readings, in order of time, of which it is known which were out."""
    quarter = t_ms // QUARTER_MS
    inside = ~out
    after, _, _ = _gather(memory, quarter[inside], value[inside])
    return BedMemory(after.lows, after.top, int(quarter[-1]), bool(out[-1]))


def _walk(memory: BedMemory, quarters: Sequence[int], values: Sequence[float]) -> tuple[list[bool], BedMemory]:
    """One reading after the other."""
    lows, top, seen, out = deque(memory.lows), memory.top, memory.seen, memory.out
    found = []
    floor = np.inf
    for quarter, x in zip(quarters, values, strict=True):
        if quarter != seen or floor == np.inf:
            if lows and lows[-1][0] < quarter:
                top = max(top, _held(lows))
            floor = top - FALL * quarter - SLACK
            out = out and quarter - seen <= _FORGET
        seen = quarter
        out = x < floor or (out and x < AIR)
        found.append(out)
        if not out:
            _note(lows, quarter, x)
    return found, BedMemory(tuple(lows), top, seen, out)


def _held(lows: deque[tuple[int, float]]) -> float:
    """What was held up to the newest quarter, raised by what drying may have taken since the beginning of time."""
    newest = lows[-1][0]
    if lows[0][0] > newest - _HELD + 1:
        return -np.inf
    return min(low for _, low in lows) + FALL * newest


def _note(lows: deque[tuple[int, float]], quarter: int, x: float) -> None:
    if lows and lows[-1][0] == quarter:
        if x < lows[-1][1]:
            lows[-1] = (quarter, x)
        return
    lows.append((quarter, x))
    while lows[0][0] < quarter - _HELD:
        lows.popleft()


def _undisturbed(memory: BedMemory, quarter: TimeArray, value: FloatArray) -> BedMemory | None:
    """The memory after readings that are all in the bedding; None where one may not be."""
    after, tops, lows = _gather(memory, quarter, value)
    if (lows[:, 1] < tops - FALL * lows[:, 0] - SLACK).any():
        return None
    return BedMemory(after.lows, after.top, int(quarter[-1]))


def _gather(memory: BedMemory, quarter: TimeArray, value: FloatArray) -> tuple[BedMemory, FloatArray, FloatArray]:
    """(memory, tops, lows) after readings in the bedding. `lows`: quarter and lowest reading for each quarter of these,
    what came before in the first one left out; `tops`: the highest of what was held before each."""
    if not quarter.size:
        return memory, np.zeros(0), np.zeros((0, 2))
    starts = np.concatenate(([0], np.flatnonzero(quarter[1:] != quarter[:-1]) + 1))
    lows = np.column_stack((quarter[starts].astype(np.float64), np.minimum.reduceat(value, starts)))
    known = np.array(memory.lows, np.float64).reshape(-1, 2)
    whole = np.concatenate((known, lows))
    if len(known) and known[-1, 0] == lows[0, 0]:
        whole = np.concatenate((known[:-1], lows))
        whole[len(known) - 1, 1] = min(known[-1, 1], lows[0, 1])
    at, low = whole[:, 0], whole[:, 1]
    first = at.searchsorted(at - _HELD)
    fresh = max(0, len(known) - 1)  # what was held before is in `memory.top`
    held = np.full(at.size, np.inf)
    for back in range(_HELD + 1):
        reach = np.arange(at.size) - back
        there = reach >= first
        held[there] = np.minimum(held[there], low[reach[there]])
    held = np.where(at[first] <= at - _HELD + 1, held + FALL * at, -np.inf)
    held[:fresh] = -np.inf
    tops = np.concatenate(([memory.top], np.maximum(np.maximum.accumulate(held), memory.top)))
    rest = whole[first[-1] :]
    kept = tuple((int(number), float(x)) for number, x in rest.tolist())
    return BedMemory(kept, float(tops[-2]), memory.seen, memory.out), tops[at.size - len(lows) : -1], lows
