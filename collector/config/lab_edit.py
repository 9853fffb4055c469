"""Changes to lab.yaml that the command line makes for people, and that keep all else they wrote.

    assign_probe(text, probe)                               -> text with one more probe
    calibrated(text, channel, date, points)                 -> a new probe's channel with its first points
    set_calibration(text, probe, channel, date, points)     -> text with one more set of calibration points
    move_probe(text, probe, place)                          -> text with the probe at another place
    rename_probe(text, probe, name)                         -> text with the probe under another id
    remove_probe(text, probe)                               -> text without the probe

All read the result back and compare it with the lab they expect; where that fails, Refused, and nothing changes.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from collector.config import lab_words
from collector.config.lab_file import read_lab, utc_ms
from collector.config.yaml.edit import Entry, add, change, find, item, remove
from collector.config.yaml.text import KeyPath, dotted, read_yaml
from collector.config.yaml.write import scalar
from collector.domain.lab import Calibration, CalibrationPoint, Channel, Format, Lab, Probe
from collector.domain.problems import Problem, Refused, nearest
from collector.domain.units import MEASURES, MS, parse_quantity

_EVERY_BY_ITSELF_MS = 60_000


def assign_probe(text: str, probe: Probe, file: str = "lab.yaml") -> str:
    """`text` with an entry for `probe` at the end of `probes:`. Raises Refused where the lab would not be sound."""
    lab = read_lab(text, file)
    try:
        lab_words.key(probe.id)
    except ValueError as error:
        raise _refused(text, file, ("probes",), str(error)) from None
    if any(known.id == probe.id for known in lab.probes):
        raise _refused(text, file, ("probes", probe.id), f"probe '{probe.id}' is there already; choose another id")
    entry = Entry("probes", probe.id, probe_data(probe, ZoneInfo(lab.time_zone)))
    after = add(text, find(text, ()), entry)
    expected = replace(lab, probes=(*lab.probes, probe))
    return _checked(text, after, ("probes", probe.id), entry, lambda: expected, file)


def calibrated(text: str, channel: Channel, from_date: str, points: Sequence[tuple[float, str]]) -> Channel:
    """`channel`, to be assigned in `text`, with points that hold from `from_date` on the lab's clock.

    Points are (raw reading, true value with its unit). Raises ValueError saying which word cannot be read.
    """
    return replace(channel, calibrations=(_calibration(read_lab(text), channel, from_date, points, ""),))


def set_calibration(
    text: str,
    probe: str,
    channel: str,
    from_date: str,
    points: Sequence[tuple[float, str]],
    note: str = "",
    file: str = "lab.yaml",
) -> str:
    """`text` with points that hold from `from_date` ('2026-01-01', '2026-01-01 08:30') on the lab's clock.

    Points are (raw reading, true value with its unit). Of two sets with one date the later in the file holds, so a
    calibration can be done again. Raises Refused where the lab would not be sound.
    """
    lab = read_lab(text, file)
    found = _channel(lab, text, file, probe, channel)
    item: dict[str, Any] = {"from": from_date, "points": [list(point) for point in points]}
    if note:
        item["note"] = note
    path = ("probes", probe, "channels", channel)
    entry = Entry("calibration", None, item)
    after = add(text, find(text, path), entry)

    def expected() -> Lab:
        new = _calibration(lab, found, from_date, points, note)
        ordered = tuple(sorted((*found.calibrations, new), key=lambda calibration: calibration.from_ms))
        return _with_channel(lab, probe, replace(found, calibrations=ordered))

    return _checked(text, after, path, entry, expected, file)


def move_probe(text: str, probe: str, place: str, file: str = "lab.yaml") -> str:
    """`text` with the probe at another place. Raises Refused where the lab would not be sound."""
    lab = read_lab(text, file)
    old = _probe(lab, text, file, probe)
    path = ("probes", probe, "place")
    _, node = item(find(text, path[:-1]), "place")
    after = change(text, node, place)
    expected = _with_probe(lab, probe, replace(old, place=place))
    return _read_back(text, after, path, expected, file, f"write 'place: {place}' there by hand")


def rename_probe(text: str, probe: str, name: str, file: str = "lab.yaml") -> str:
    """`text` with the probe under another id. Raises Refused where there is one, or the lab would not be sound."""
    lab = read_lab(text, file)
    old = _probe(lab, text, file, probe)
    path = ("probes", probe)
    try:
        lab_words.key(name)
    except ValueError as error:
        raise _refused(text, file, path, str(error)) from None
    if any(known.id == name for known in lab.probes):
        raise _refused(text, file, ("probes", name), f"probe '{name}' is there already; choose another id")
    key, _ = item(find(text, path[:-1]), probe)
    after = change(text, key, name)
    expected = _with_probe(lab, probe, replace(old, id=name))
    return _read_back(text, after, path, expected, file, f"write '{name}:' there by hand")


def remove_probe(text: str, probe: str, file: str = "lab.yaml") -> str:
    """`text` without the probe. Raises Refused where there is none."""
    lab = read_lab(text, file)
    _probe(lab, text, file, probe)
    path = ("probes", probe)
    after = remove(text, find(text, path[:-1]), probe)
    expected = replace(lab, probes=tuple(kept for kept in lab.probes if kept.id != probe))
    return _read_back(text, after, path, expected, file, "take its lines out by hand")


def probe_data(probe: Probe, zone: ZoneInfo) -> dict[str, Any]:
    """The probe as lab.yaml writes it, without what it would be by itself."""
    data: dict[str, Any] = {"place": probe.place, "topic": probe.topic, "format": probe.format.value}
    if probe.senml_name:
        data["senml_name"] = probe.senml_name
    if probe.time_pointer:
        data["time"] = probe.time_pointer
    if probe.every_ms != _EVERY_BY_ITSELF_MS:
        data["every"] = _duration(probe.every_ms)
    return {**data, "channels": {channel.key: _channel_data(channel, probe.format, zone) for channel in probe.channels}}


def _channel_data(channel: Channel, kind: Format, zone: ZoneInfo) -> dict[str, Any]:
    data: dict[str, Any] = {}
    if kind is not Format.NUMBER:
        data["pointer" if kind is Format.JSON else "name"] = channel.name
    data |= {"measure": channel.measure, "unit": channel.unit}
    if channel.model != "generic":
        data["model"] = channel.model
    if channel.calibrations:
        data["calibration"] = [
            _calibration_data(calibration, channel.measure, zone) for calibration in channel.calibrations
        ]
    return data


def _calibration_data(calibration: Calibration, measure: str, zone: ZoneInfo) -> dict[str, Any]:
    local = datetime.fromtimestamp(calibration.from_ms / 1000, UTC).astimezone(zone)
    written = local.strftime("%Y-%m-%d" if (local.hour, local.minute) == (0, 0) else "%Y-%m-%d %H:%M")
    points = [[point.raw, _quantity(point.value, measure)] for point in calibration.points]
    return {"from": written, "points": points} | ({"note": calibration.note} if calibration.note else {})


def _quantity(value: float, measure: str) -> str:
    spec = MEASURES[measure]
    if spec.dimension == "switch":
        return "on" if value else "off"
    return f"{scalar(value)} {spec.unit}"


def _duration(ms: int) -> str:
    unit = next((name for name in ("d", "h", "min", "s") if ms % MS[name] == 0), "s")
    return f"{ms / MS[unit]:.12g} {unit}"


def _probe(lab: Lab, text: str, file: str, probe: str) -> Probe:
    known = {old.id: old for old in lab.probes}
    if probe not in known:
        raise _refused(text, file, ("probes",), _unknown("probe", probe, known))
    return known[probe]


def _with_probe(lab: Lab, probe: str, new: Probe) -> Lab:
    return replace(lab, probes=tuple(new if old.id == probe else old for old in lab.probes))


def _read_back(before: str, after: str, path: KeyPath, expected: Lab, file: str, by_hand: str) -> str:
    """`after`, if it reads as the lab that was wanted; else why not, placed in the text as it was."""
    try:
        if read_lab(after, file) == expected:
            return after
        reasons: list[Problem] = []
    except Refused as refused:
        reasons = [problem for problem in refused.problems if problem.field.startswith("probes.")]
    marked = read_yaml(before, file)
    if reasons:
        raise Refused(replace(marked.problem(path, problem.message), field=problem.field) for problem in reasons)
    raise _refused(before, file, path, f"this layout cannot be changed without risk; {by_hand}")


def _channel(lab: Lab, text: str, file: str, probe: str, channel: str) -> Channel:
    channels = {known.id: {c.key: c for c in known.channels} for known in lab.probes}
    if probe not in channels:
        raise _refused(text, file, ("probes",), _unknown("probe", probe, channels))
    if channel not in channels[probe]:
        raise _refused(text, file, ("probes", probe, "channels"), _unknown("channel", channel, channels[probe]))
    return channels[probe][channel]


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    near = nearest(name, known)
    right = f"did you mean '{near}'?" if near else f"known: {', '.join(known) or 'none'}"
    return f"there is no {what} {name!r}; {right}"


def _calibration(
    lab: Lab, channel: Channel, from_date: str, points: Sequence[tuple[float, str]], note: str
) -> Calibration:
    dimension = MEASURES[channel.measure].dimension
    return Calibration(
        utc_ms(lab_words.local_time(from_date), ZoneInfo(lab.time_zone)),
        tuple(CalibrationPoint(float(raw), parse_quantity(value, dimension)) for raw, value in points),
        note,
    )


def _with_channel(lab: Lab, probe: str, channel: Channel) -> Lab:
    def changed(old: Probe) -> Probe:
        if old.id != probe:
            return old
        return replace(old, channels=tuple(channel if c.key == channel.key else c for c in old.channels))

    return replace(lab, probes=tuple(changed(old) for old in lab.probes))


def _checked(before: str, after: str, path: KeyPath, entry: Entry, expected: Callable[[], Lab], file: str) -> str:
    """`after`, if it reads as the lab that was wanted; else why not, placed in the text as it was."""
    try:
        if read_lab(after, file) == expected():
            return after
        reasons: list[Problem] = []
    except Refused as refused:
        reasons = [problem for problem in refused.problems if _is_below(problem.field, dotted(path))]
    if reasons:
        marked = read_yaml(before, file)
        raise Refused(
            replace(marked.problem(path, problem.message, at_key=True), field=problem.field) for problem in reasons
        )
    lines = "\n".join(entry.lines("  "))
    said = f"this layout cannot be changed without risk; put these lines in by hand, under '{entry.group}:'\n{lines}"
    raise _refused(before, file, path, said)


def _is_below(field: str, top: str) -> bool:
    return field == top or field.startswith((f"{top}.", f"{top}["))


def _refused(text: str, file: str, path: KeyPath, message: str) -> Refused:
    return Refused([read_yaml(text, file).problem(path, message, at_key=True)])
