"""Raw value to measured value: straight lines between calibration points, each set of points valid from a date.

Method: piecewise linear, the end segments extended. Two points give the usual two-point map
M = lo + (hi - lo)(raw_dry - raw)/(raw_dry - raw_wet) (common practice, no source). Validity: any raw value, but outside
the span of the points the result is an extrapolation, and `Why.CALIBRATION` says so. Nothing is ever clamped: a
clamped probe looks like a steady one.
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.domain.calibration_points import calibration_faults
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
