"""lab.yaml to a Lab, with every problem of the file told at once.

read_lab(text)      -> Lab, or Refused with all problems: shapes first, then what the parts mean for each other
lab_warnings(lab)   -> what is allowed but hardly wanted
lab_schema()        -> JSON Schema for editors, from the same models
"""

import copy
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from collector.domain import calibration
from collector.domain.hours import Hours, week_of
from collector.domain.lab import (
    Calibration,
    CalibrationPoint,
    Channel,
    Format,
    Lab,
    Person,
    Place,
    PlaceKind,
    Probe,
)
from collector.domain.labfile_checks import CalibrationFaults, Draft, meaning_problems
from collector.domain.labfile_models import (
    PRIORITIES,
    BinPart,
    ChannelPart,
    LabFile,
    PlanterPart,
    ProbePart,
)
from collector.domain.problems import Problem, Refused
from collector.domain.units import MEASURES, parse_quantity
from collector.domain.yamltext import Path, examine, read_yaml


def read_lab(
    text: str, file: str = "lab.yaml", *, calibration_faults: CalibrationFaults = calibration.calibration_faults
) -> Lab:
    """The lab that `text` describes. Raises Refused with every problem in it."""
    marked = read_yaml(text, file)
    if not marked.data:
        raise Refused([Problem(file, 1, 1, "", "the file is empty; 'traywarden init' writes one to start from")])
    if not isinstance(marked.data, dict):
        raise Refused([marked.problem((), "needs keys like 'lab:', 'bins:' and 'probes:' at the top")])
    good, faults = examine(marked, LabFile)
    bad = frozenset(fault.path for fault in faults if not fault.key)
    draft = Draft(marked, _without(marked.data, bad), bad, calibration_faults)
    problems = [fault.problem for fault in faults] + list(meaning_problems(draft))
    if good is None or problems:
        raise Refused(problems)
    return _lab(good)


def _without(data: dict[str, Any], bad: Iterable[Path]) -> dict[str, Any]:
    """A copy of the data with None wherever there is a problem."""
    kept: dict[str, Any] = copy.deepcopy(data)
    for path in sorted(bad, key=len):
        parent: Any = kept
        last: Any = path[-1]
        for part in path[:-1]:
            parent = parent[part] if parent is not None else None
        if isinstance(parent, list) or (parent is not None and last in parent):
            parent[last] = None
    return kept


def lab_schema() -> dict[str, Any]:
    """JSON Schema of lab.yaml. Editors check shapes with it; `read_lab` checks what they mean as well."""
    schema = LabFile.model_json_schema(by_alias=True)
    schema["title"] = "Traywarden lab file"
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def lab_warnings(lab: Lab, file: str = "lab.yaml", text: str = "") -> tuple[Problem, ...]:
    """What will run but is hardly meant, in file order; with the file's `text` each warning has its line."""
    marked = read_yaml(text, file)
    found = [marked.problem(path, message) for path, message in _warnings(lab)]
    return tuple(sorted(Problem(p.file, p.line, p.column, p.field, p.message, "warning") for p in found))


def _warnings(lab: Lab) -> Iterator[tuple[Path, str]]:
    if not lab.probes:
        yield ("probes",), "there are none; every reading will be kept as unplaced until a probe is assigned"
    if not lab.people:
        yield ("people",), "there is nobody to tell; alarms will show on status but no message will go out"
        return
    for priority in PRIORITIES:
        if not any(priority in person.priorities for person in lab.people):
            yield ("people",), f"nobody is told of alarms of {priority} priority"
    first: dict[str, str] = {}
    for person in lab.people:
        address = person.email.casefold()
        if address in first:
            yield ("people", person.role, "email"), f"is also the address of {first[address]}, so messages come twice"
        first.setdefault(address, person.role)


def _lab(file: LabFile) -> Lab:
    people = file.people or {}
    return Lab(
        name=file.lab.name,
        time_zone=file.lab.time_zone,
        us_units=file.lab.units == "us",
        places=tuple(_places(file)),
        probes=tuple(_probe(key, part, ZoneInfo(file.lab.time_zone)) for key, part in (file.probes or {}).items()),
        people=tuple(Person(key, part.email, tuple(dict.fromkeys(part.priorities))) for key, part in people.items()),
        hours=Hours(week_of(file.lab.hours), file.lab.time_zone) if file.lab.hours else None,
        altitude_m=file.lab.altitude or 0.0,
    )


def _places(file: LabFile) -> Iterator[Place]:
    for key, part in (file.bins or {}).items():
        yield from _bin(key, part or BinPart())
    for key, brewer in (file.brewers or {}).items():
        name, volume_l = (brewer.name, brewer.volume) if brewer else (None, None)
        yield Place(key, PlaceKind.BREWER, name or _label(key), volume_l=volume_l)
    for key, planter in (file.planters or {}).items():
        name, area_m2 = (planter.name, _planter_area(planter)) if planter else (None, None)
        yield Place(key, PlaceKind.PLANTER, name or _label(key), area_m2=area_m2)
    yield Place("room", PlaceKind.ROOM, (file.room.name if file.room else None) or "Room")


def _bin(key: str, part: BinPart) -> Iterator[Place]:
    name = part.name or _label(key)
    yield Place(key, PlaceKind.BIN, name, bin=key)
    for level, (tray, given) in enumerate((part.trays or {}).items()):
        label = (given.name if given else None) or _tray_label(tray)
        area_m2 = given.area if given else None
        yield Place(
            f"{key}/{tray}", PlaceKind.TRAY, f"{name}, {label}", bin=key, tray=tray, level=level, area_m2=area_m2
        )


def _label(key: str) -> str:
    words = key.replace("-", " ")
    return words[:1].upper() + words[1:]


def _tray_label(key: str) -> str:
    words = key.replace("-", " ")
    if "tray" in words.split():
        return words
    return f"tray {words}" if words.isdigit() else f"{words} tray"


def _planter_area(part: PlanterPart) -> float | None:
    return part.length * part.width if part.length is not None and part.width is not None else part.area


def _probe(key: str, part: ProbePart, zone: ZoneInfo) -> Probe:
    return Probe(
        id=key,
        place=part.place,
        topic=part.topic,
        format=Format(part.format),
        channels=tuple(_channel(name, channel, zone) for name, channel in part.channels.items()),
        every_ms=part.every,
        senml_name=part.senml_name,
        time_pointer=part.time or "",
    )


def _channel(key: str, part: ChannelPart, zone: ZoneInfo) -> Channel:
    return Channel(
        key=key,
        measure=part.measure,
        unit=part.unit,
        name=part.name or part.pointer or "",
        model=part.model,
        calibrations=calibrations_of(part, zone),
    )


def calibrations_of(part: ChannelPart, zone: ZoneInfo) -> tuple[Calibration, ...]:
    """In order of their dates; of two with one date the later in the file comes later, and holds."""
    dimension = MEASURES[part.measure].dimension
    found = [
        Calibration(
            from_ms=utc_ms(given.from_, zone),
            points=tuple(CalibrationPoint(raw, parse_quantity(value, dimension)) for raw, value in given.points),
            note=given.note,
        )
        for given in part.calibration or ()
    ]
    return tuple(sorted(found, key=lambda one: one.from_ms))


def utc_ms(local: datetime, zone: ZoneInfo) -> int:
    return round(local.replace(tzinfo=zone).timestamp()) * 1000
