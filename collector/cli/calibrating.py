"""What a new calibration would do, told before and after it is written: doubts, and what the newest reading becomes."""

from dataclasses import replace

from collector.config.home import Home
from collector.config.lab_file import lab_warnings, read_lab
from collector.config.yaml.text import read_yaml
from collector.domain.lab import Channel, Lab
from collector.domain.problems import Refused
from collector.domain.units import show_value
from collector.store.reader import Reader


def refuse_doubtful(before: str, after: str, probe: str, now_ms: int) -> None:
    """Raises Refused with what is doubtful about calibrations of this probe and was not so `before`. Texts of lab.yaml,
    sound ones; the line is that of the probe in the file as it stays."""
    known = {(doubt.field, doubt.message) for doubt in lab_warnings(read_lab(before), text=before, now_ms=now_ms)}
    found = [
        doubt
        for doubt in lab_warnings(read_lab(after), text=after, now_ms=now_ms)
        if doubt.field.startswith(f"probes.{probe}.channels.")
        and ".calibration[" in doubt.field
        and (doubt.field, doubt.message) not in known
    ]
    if found:
        marked = read_yaml(before, "lab.yaml")
        told = (marked.problem(("probes", probe), doubt.message, at_key=True) for doubt in found)
        raise Refused(replace(problem, field=doubt.field) for problem, doubt in zip(told, found, strict=True))


def newest_becomes(home: Home, before: Lab, after: Lab, probe: str, channel: str, now_ms: int) -> str:
    """'1800 -> 70.4 %, was 74.2 %': the newest reading of a channel by what holds now in either lab, or that there is
    none."""
    place = next(candidate.place for candidate in after.probes if candidate.id == probe)
    old, new = (_channel(lab, probe, channel) for lab in (before, after))
    newest = _newest_raw(home, probe, channel, new.measure, place)
    if newest is None:
        return "no reading of it yet, so see with 'traywarden probes list' that its values are true"
    _, raw = newest
    was, now = (_value(known, now_ms, raw) for known in (old, new))
    shown = show_value(new.measure, now, after.us_units)
    held = "" if not old.calibrations else f", was {show_value(old.measure, was, before.us_units)}"
    return f"{raw:g} -> {shown}{held}"


def _channel(lab: Lab, probe: str, channel: str) -> Channel:
    return next(c for candidate in lab.probes if candidate.id == probe for c in candidate.channels if c.key == channel)


def _newest_raw(home: Home, probe: str, channel: str, measure: str, place: str) -> tuple[int, float] | None:
    """(time, raw reading), where the journal holds one."""
    if not home.database.exists():
        return None
    with Reader(home.database) as reader:
        wanted = (probe, channel, measure, place)
        numbers = {
            series.id
            for series in reader.series()
            if (series.probe, series.channel, series.measure, series.place) == wanted
        }
        newest = max((reading.t_ms for reading in reader.newest(numbers).values()), default=0)
        rows = reader.readings(newest, newest + 1, numbers)
        return next(((t_ms, raw) for t_ms, _, _, _, raw, _ in rows if raw is not None), None)


def _value(channel: Channel, t_ms: int, raw: float) -> float:
    """By the newest set that holds at that time. Arrays are loaded here alone: most commands go without."""
    import numpy as np

    from collector.domain.calibration import calibrate

    return float(calibrate(channel.calibrations, np.array([t_ms]), np.array([raw]))[0][0])
