"""Calibrations that make a line and still can hardly be what was meant. Without arrays, as `calibration_points`.

Of one day, two sets: only the later is ever used. Points so close that a flicker of the last digit tilts the line. A
line that runs against the probe. Raw readings typed in another unit than the probe sends. A day that is yet to come.
"""

from collections.abc import Iterator
from itertools import pairwise

from collector.domain.lab import Calibration, Channel
from collector.domain.units import MEASURES, MS, RAW_UNITS, from_sent, show_value

_CLOSE = 0.01
"""Points nearer than this share of the larger are told apart by noise (common practice, no source)."""
_FAR = {"temperature": 5.0, "percent": 25.0, "humidity": 20.0, "oxygen": 3.0, "voltage": 1.0}
"""A probe that sends the measure itself is not wrong by more than this, and still worth a calibration (common practice,
no source). In the unit of the measure."""
_AHEAD_MS = MS["d"]
"""As far ahead of now as a day can start anywhere on Earth."""


def calibration_doubts(channel: Channel, now_ms: int, us: bool = False) -> Iterator[tuple[int, str]]:
    """(which of `channel.calibrations`, what is doubtful about it), for the person who wrote it."""
    starts = [calibration.from_ms for calibration in channel.calibrations]
    for index, calibration in enumerate(channel.calibrations):
        if calibration.from_ms in starts[:index]:
            yield index, "a set with this 'from' stands before it and is never used; take one out, or add a time of day"
        if calibration.from_ms > now_ms + _AHEAD_MS:
            yield index, "holds from a day that is yet to come; is the year right?"
        yield from ((index, said) for said in _line_doubts(channel, calibration, us))


def _line_doubts(channel: Channel, calibration: Calibration, us: bool) -> Iterator[str]:
    ordered = sorted(calibration.points, key=lambda point: point.raw)
    for low, high in pairwise(ordered):
        if high.raw - low.raw < _CLOSE * max(abs(low.raw), abs(high.raw)):
            yield (
                f"raw {low.raw:g} and {high.raw:g} are so close that noise alone tilts the line; measure one sample"
                " much drier, colder or weaker than the other"
            )
    rises = ordered[-1].value > ordered[0].value
    if channel.model == "capacitive" and channel.measure == "bedding_moisture" and channel.unit in RAW_UNITS and rises:
        yield "runs the wrong way: a capacitive probe reads higher the drier the bedding is; are two values swapped?"
    yield from _other_unit(channel, calibration, us)


def _other_unit(channel: Channel, calibration: Calibration, us: bool) -> Iterator[str]:
    """For probes that send the measure itself: raw readings must be near what was true."""
    sent, far = from_sent(channel.measure, channel.unit), _FAR.get(MEASURES[channel.measure].dimension)
    if sent is None or far is None:
        return
    scale, offset = sent
    for point in calibration.points:
        means = point.raw * scale + offset
        if abs(means - point.value) > far:
            said, true = (show_value(channel.measure, value, us) for value in (means, point.value))
            yield (
                f"raw {point.raw:g} {channel.unit} is {said}, far from {true}; the raw reading goes in the unit"
                f" that the probe sends ({channel.unit})"
            )
            return
