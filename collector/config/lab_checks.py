"""What the parts of lab.yaml mean for each other: places that exist, units that measure, messages of one probe only.

Works on plain data in which everything that already has a problem is None (`collector.config.lab_file.read_lab` sees to
that), so that one slip does not hide the next, and no slip is told twice.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.config import lab_words
from collector.config.lab_claims import shared_messages
from collector.config.lab_people import people_problems
from collector.config.yaml.text import KeyPath, Marked
from collector.domain.hours import doubled_day
from collector.domain.lab import CalibrationPoint, Format, PlaceKind
from collector.domain.patterns import fits
from collector.domain.problems import Problem, nearest
from collector.domain.units import MEASURES, RAW_UNITS, from_sent, parse_quantity, sent_units

CalibrationFaults = Callable[[Sequence[CalibrationPoint]], tuple[str, ...]]
RESERVED = ("room", "broker", "collector")
_SECTIONS = {"bins": PlaceKind.BIN, "brewers": PlaceKind.BREWER, "planters": PlaceKind.PLANTER}
_BEDDING = ("bedding_temperature", "bedding_moisture")
_AIR = ("air_temperature", "air_humidity")
MEASURES_AT: Mapping[PlaceKind, tuple[str, ...]] = {
    PlaceKind.TRAY: (*_BEDDING, *_AIR, "battery"),
    PlaceKind.BIN: (*_BEDDING, *_AIR, "leachate_level", "battery"),
    PlaceKind.BREWER: ("tea_temperature", "dissolved_oxygen", "air_pump", "battery"),
    # Soil is not bedding: the alarms for worms would be wrong for it.
    PlaceKind.PLANTER: (*_AIR, "battery"),
    PlaceKind.ROOM: (*_AIR, "battery"),
}
_SENML = (Format.SENML_JSON.value, Format.SENML_CBOR.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """The file so far: `data` with None for what has a problem, `bad` the paths of those problems."""

    marked: Marked
    data: Mapping[str, Any]
    bad: frozenset[KeyPath]
    calibration_faults: CalibrationFaults

    def section(self, *path: str) -> Mapping[str, Any]:
        """The keys and values at `path`; empty where there is nothing usable."""
        found: Any = self.data
        for part in path:
            found = (found or {}).get(part)
        return found or {}


def meaning_problems(draft: Draft) -> Iterator[Problem]:
    """What is wrong with how the parts of a file go together, as far as they could be read."""
    yield from _hours(draft, ("lab", "hours"))
    yield from _hours(draft, ("messages", "waking"))
    yield from _ids(draft)
    yield from _trays(draft)
    yield from _planters(draft)
    places = _places(draft)
    for probe_id in draft.section("probes"):
        yield from _probe(draft, ("probes", probe_id), places)
    yield from shared_messages(draft.marked, draft.section("probes"))
    yield from people_problems(
        draft.marked, draft.section("people"), draft.bad, lambda where: _fits(draft, where, places)
    )


def _hours(draft: Draft, path: tuple[str, str]) -> Iterator[Problem]:
    twice = doubled_day(draft.section(*path))
    if twice is not None:
        day, first, second = twice
        message = f"{day} stands under '{first}' already; name each day once"
        yield draft.marked.problem((*path, second), message, at_key=True)
    if path[-1] == "waking" and draft.section("messages").get("waking") == {}:
        yield draft.marked.problem(path, "holds no hours; leave it out for 07:00-21:00 each day", at_key=True)


def _ids(draft: Draft) -> Iterator[Problem]:
    """Bins, brewers, planters and the room share one list of place ids."""
    first: dict[str, str] = {}
    for section in _SECTIONS:
        for name in draft.section(section):
            if name in RESERVED:
                yield draft.marked.problem((section, name), f"'{name}' is reserved; choose another key", at_key=True)
            elif name in first:
                message = f"'{name}' is already a key under {first[name]}; places need different keys"
                yield draft.marked.problem((section, name), message, at_key=True)
            first.setdefault(name, section)


def _trays(draft: Draft) -> Iterator[Problem]:
    for name in draft.section("bins"):
        for tray in draft.section("bins", name, "trays"):
            path = ("bins", name, "trays", tray)
            if (*path, "moisture") in draft.marked.values and (*path, "bedding") not in draft.marked.values:
                yield draft.marked.problem((*path, "moisture"), "moisture needs bedding beside it", at_key=True)


def _planters(draft: Draft) -> Iterator[Problem]:
    for name in draft.section("planters"):
        path = ("planters", name)
        given = [key for key in ("length", "width", "area") if (*path, key) in draft.marked.values]
        if "area" in given and len(given) > 1:
            yield draft.marked.problem((*path, "area"), "give either length and width or area, not both", at_key=True)
        elif given in (["length"], ["width"]):
            missing = "width" if given == ["length"] else "length"
            yield draft.marked.problem(path, f"{given[0]} needs {missing} beside it", at_key=True)


def _places(draft: Draft) -> dict[str, PlaceKind]:
    found = {"room": PlaceKind.ROOM}
    for section, kind in _SECTIONS.items():
        for name in draft.section(section):
            found.setdefault(name, kind)
    for name in draft.section("bins"):
        found.update({f"{name}/{tray}": PlaceKind.TRAY for tray in draft.section("bins", name, "trays")})
    return found


def _probe(draft: Draft, path: tuple[str, str], places: Mapping[str, PlaceKind]) -> Iterator[Problem]:
    probe = draft.section(*path)
    kind = places.get(probe.get("place") or "")
    if probe.get("place") is not None and kind is None and not _may_exist(draft, probe["place"]):
        yield draft.marked.problem((*path, "place"), _no_such_place(probe["place"], places))
    if probe.get("format") is not None:
        yield from _format_fits(draft, path, probe)
    for channel in draft.section(*path, "channels"):
        yield from _channel(draft, (*path, "channels", channel), kind)


def _may_exist(draft: Draft, place: str) -> bool:
    """Whether the place may only be unknown because something in the sections above has a problem."""
    bin_key = place.partition("/")[0]
    return any(_hides_places(path) or (path[:2] == ("bins", bin_key) and path[2:3] != ("name",)) for path in draft.bad)


def _fits(draft: Draft, pattern: str, places: Mapping[str, PlaceKind]) -> str:
    """What is wrong with a place pattern, or nothing."""
    if any(fits(pattern, place) for place in places) or _may_exist(draft, pattern):
        return ""
    return _no_such_place(pattern, places)


def _hides_places(path: KeyPath) -> bool:
    """A section of places that is no section, or an unknown key at the top that was meant to be one."""
    return len(path) == 1 and nearest(str(path[0]), ("lab", "room", "probes", "people", *_SECTIONS)) in _SECTIONS


def _no_such_place(place: str, places: Mapping[str, PlaceKind]) -> str:
    near = nearest(place, places)
    return f"{place!r} is not a place of this lab; " + (
        f"did you mean '{near}'?" if near else f"known: {', '.join(places)}"
    )


def _format_fits(draft: Draft, path: KeyPath, probe: Mapping[str, Any]) -> Iterator[Problem]:
    kind = probe["format"]
    if kind != Format.JSON.value and probe.get("time") is not None:
        message = f"only format json has a pointer to its time; {kind} "
        message += "carries it in the record" if kind in _SENML else "has none, so the time of arrival is taken"
        yield draft.marked.problem((*path, "time"), message, at_key=True)
    if kind not in _SENML and probe.get("senml_name"):
        yield draft.marked.problem((*path, "senml_name"), f"format {kind} has no SenML names; remove it", at_key=True)
    channels = probe.get("channels") or {}
    if kind == Format.NUMBER.value and len(channels) > 1:
        second = list(channels)[1]
        message = "a bare number is one channel; for several, send SenML or JSON"
        yield draft.marked.problem((*path, "channels", second), message, at_key=True)
    yield from _addresses(draft, (*path, "channels"), kind, probe)


def _addresses(draft: Draft, path: KeyPath, kind: str, probe: Mapping[str, Any]) -> Iterator[Problem]:
    """Each channel says where in the message its number stands, in the way of the format, and no two say the same."""
    wanted = {Format.JSON.value: "pointer", Format.NUMBER.value: ""}.get(kind, "name")
    first: dict[str, str] = {}
    for name, channel in (probe.get("channels") or {}).items():
        here = (*path, name)
        for key in ("name", "pointer"):
            if key != wanted and (channel or {}).get(key) is not None:
                right = f"use '{wanted}'" if wanted else "remove it"
                yield draft.marked.problem((*here, key), f"format {kind} takes no '{key}'; {right}", at_key=True)
        if not wanted or channel is None or (*here, wanted) in draft.bad:
            continue
        written = channel.get(wanted)
        if written is None:
            example = "/soil" if wanted == "pointer" else "moisture"
            yield draft.marked.problem(here, f"format {kind} needs '{wanted}' here, like {example}", at_key=True)
            continue
        if wanted == "name" and not written and not probe.get("senml_name"):
            yield draft.marked.problem((*here, wanted), "is empty; an empty name needs a senml_name on the probe")
        if written in first:
            message = f"{written!r} is also the {wanted} of channel '{first[written]}'; each channel needs its own"
            yield draft.marked.problem((*here, wanted), message)
        first.setdefault(written, name)


def _channel(draft: Draft, path: KeyPath, place: PlaceKind | None) -> Iterator[Problem]:
    channel = draft.section(*(str(part) for part in path))
    measure, unit = channel.get("measure"), channel.get("unit")
    if measure is None:
        return
    if place is not None and measure not in MEASURES_AT[place]:
        message = f"{measure} is not measured in a {place.value}; here: {', '.join(MEASURES_AT[place])}"
        yield draft.marked.problem((*path, "measure"), message)
    calibrated = bool(channel.get("calibration")) or (*path, "calibration") in draft.bad
    if unit is not None and not calibrated and unit not in RAW_UNITS and from_sent(measure, unit) is None:
        yield draft.marked.problem((*path, "unit"), _cannot_measure(measure, unit))
    for index, part in enumerate(channel.get("calibration") or ()):
        if part is not None and part.get("points") is not None:
            yield from _points(draft, (*path, "calibration", index, "points"), part["points"], measure)


def _cannot_measure(measure: str, unit: str) -> str:
    label, direct = MEASURES[measure].label, ", ".join(sent_units(measure))
    return f"'{unit}' does not measure {label}; use one of {direct}"


def _points(draft: Draft, path: KeyPath, written: Sequence[Any], measure: str) -> Iterator[Problem]:
    spec = MEASURES[measure]
    points: list[CalibrationPoint] = []
    for index, point in enumerate(written):
        if point is None:
            continue
        try:
            raw, value = lab_words.point(point)
            points.append(CalibrationPoint(raw, _within(parse_quantity(value, spec.dimension), measure)))
        except ValueError as error:
            yield draft.marked.problem((*path, index, 1), str(error))
    if len(points) == len(written):
        for fault in draft.calibration_faults(points):
            yield draft.marked.problem(path, fault)


def _within(value: float, measure: str) -> float:
    spec = MEASURES[measure]
    if not spec.low <= value <= spec.high:
        raise ValueError(f"{value:g} {spec.unit} cannot be {spec.label}; {spec.low:g} to {spec.high:g} {spec.unit}")
    return value
