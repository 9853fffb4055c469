"""Raw value to measured value: straight lines between calibration points, each set of points valid from a date.

Method: piecewise linear, the end segments extended. Two points give the usual two-point map
M = lo + (hi - lo)(raw_dry - raw)/(raw_dry - raw_wet) (common practice, no source). Validity: any raw value, but outside
the span of the points the result is an extrapolation, and `Why.CALIBRATION` says so. Nothing is ever clamped: a
clamped probe looks like a steady one.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.domain.lab import Calibration, CalibrationPoint
from collector.domain.readings import Why

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.int64]
WhyArray = NDArray[np.uint16]


def calibrate(calibrations: tuple[Calibration, ...], t_ms: TimeArray, raw: FloatArray) -> tuple[FloatArray, WhyArray]:
    """Measured values in the canonical unit, and `Why.CALIBRATION` where a line was extended past its points.

    Each reading takes the newest calibration whose `from_ms` is not after it; readings from before the first one take
    the first, because a line measured later is nearer the truth than a raw count. Of two calibrations with the same
    date the later in the file holds. Without calibrations the raw value is the value. NaN stays NaN, infinities stay
    infinite. Raises ValueError for points that `calibration_faults` objects to.
    """
    value = raw.astype(np.float64)
    why = np.zeros(raw.size, np.uint16)
    ordered = sorted(calibrations, key=lambda calibration: calibration.from_ms)
    if len(ordered) == 1:
        return _along(_lines(ordered[0].points), value)
    if ordered and raw.size:
        starts = np.array([calibration.from_ms for calibration in ordered], np.int64)
        valid = np.maximum(np.searchsorted(starts, t_ms, side="right") - 1, 0)
        for number in np.unique(valid).tolist():
            chosen = valid == number
            value[chosen], why[chosen] = _along(_lines(ordered[number].points), value[chosen])
    return value, why


def calibration_faults(points: Sequence[CalibrationPoint]) -> tuple[str, ...]:
    """Everything that keeps these points from being a calibration, in words for the person who wrote them."""
    if len(points) < 2:
        return (f"needs two points or more, has {len(points)}",)
    if not all(math.isfinite(point.raw) and math.isfinite(point.value) for point in points):
        return ("every raw and every value must be a finite number",)
    ordered = sorted(points, key=lambda point: point.raw)
    pairs = list(pairwise(ordered))
    twice = [
        f"raw {low.raw:g} stands twice, for {low.value:g} and {high.value:g}"
        for low, high in pairs
        if low.raw == high.raw
    ]
    if twice:
        return tuple(twice)
    if not all(math.isfinite((high.value - low.value) / (high.raw - low.raw)) for low, high in pairs):
        return ("points lie too close together or too far apart for a line",)
    steps = [high.value - low.value for low, high in pairs]
    if all(step > 0 for step in steps) or all(step < 0 for step in steps):
        return ()
    listed = ", ".join(f"{point.raw:g} -> {point.value:g}" for point in ordered)
    return (f"values must all rise or all fall as raw rises: {listed}",)


class _Lines(NamedTuple):
    raw: FloatArray
    value: FloatArray
    slope: FloatArray


@lru_cache(maxsize=256)
def _lines(points: tuple[CalibrationPoint, ...]) -> _Lines:
    faults = calibration_faults(points)
    if faults:
        raise ValueError("; ".join(faults))
    ordered = sorted(points, key=lambda point: point.raw)
    raw = np.array([point.raw for point in ordered], np.float64)
    value = np.array([point.value for point in ordered], np.float64)
    return _Lines(raw, value, np.diff(value) / np.diff(raw))


def _along(lines: _Lines, raw: FloatArray) -> tuple[FloatArray, WhyArray]:
    with np.errstate(over="ignore"):  # a raw value near the end of the floats gives an infinite value, which fails
        if lines.slope.size == 1:
            value = lines.value[0] + (raw - lines.raw[0]) * lines.slope[0]
        else:
            segment = np.searchsorted(lines.raw[1:-1], raw, side="right")
            value = lines.value[segment] + (raw - lines.raw[segment]) * lines.slope[segment]
    outside = (raw < lines.raw[0]) | (raw > lines.raw[-1])
    return value, outside.astype(np.uint16) * np.uint16(Why.CALIBRATION)
