"""Whether calibration points make a calibration. Without arrays, since lab.yaml is read by every command."""

import math
from collections.abc import Sequence
from itertools import pairwise

from collector.domain.lab import CalibrationPoint, Channel
from collector.domain.units import RAW_UNITS, from_sent


def is_uncalibrated(channel: Channel) -> bool:
    """Whether the channel sends a raw number that nothing turns into its measure yet."""
    raw = channel.unit in RAW_UNITS and from_sent(channel.measure, channel.unit) is None
    return raw and not channel.calibrations


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
