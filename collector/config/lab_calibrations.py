"""Where in lab.yaml a doubtful calibration stands."""

from collections.abc import Iterator, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from collector.config import lab_words
from collector.config.yaml.text import KeyPath, Marked
from collector.domain.calibration_doubts import calibration_doubts
from collector.domain.calibration_points import is_uncalibrated
from collector.domain.lab import Channel, Lab, Probe
from collector.domain.units import MEASURES


def calibration_warnings(lab: Lab, marked: Marked, now_ms: int) -> Iterator[tuple[KeyPath, str]]:
    """(path of the set, what is doubtful about it); `marked`: the file that the lab was read from, or an empty one."""
    for probe in lab.probes:
        for channel in probe.channels:
            where: KeyPath = ("probes", probe.id, "channels", channel.key)
            if is_uncalibrated(channel):
                yield (*where, "unit"), not_calibrated(probe, channel)
            path: KeyPath = (*where, "calibration")
            found = list(calibration_doubts(channel, now_ms, lab.us_units))
            order = _file_order(marked, path, ZoneInfo(lab.time_zone)) if found else []
            for index, said in found:
                yield (*path, order[index] if order else index), said


def not_calibrated(probe: Probe, channel: Channel) -> str:
    """What is said of a channel that sends a raw number, until it has its points."""
    return (
        f"'{channel.unit}' is not {MEASURES[channel.measure].label} yet: its readings are kept raw and no alarm judges"
        f" them until it is calibrated: traywarden probes calibrate {probe.id} {channel.key}"
    )


def _file_order(marked: Marked, path: KeyPath, zone: ZoneInfo) -> list[int]:
    """Which set of the file each is, once they are in the order of their dates; empty where the file is not given."""
    part: Any = marked.data
    for key in path:
        part = part.get(key) if isinstance(part, Mapping) else None
    starts = [lab_words.local_time(str(given["from"])).replace(tzinfo=zone).timestamp() for given in part or ()]
    return sorted(range(len(starts)), key=starts.__getitem__)
