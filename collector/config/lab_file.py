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

from collector.config.lab_calibrations import calibration_warnings
from collector.config.lab_checks import CalibrationFaults, Draft, meaning_problems
from collector.config.lab_models import (
    RENAMED_KEYS,
    WEEKDAYS,
    BinPart,
    ChannelPart,
    DaysOff,
    LabFile,
    MessagesPart,
    PersonPart,
    PlanterPart,
    ProbePart,
    TrayPart,
)
from collector.config.lab_people import people_warnings
from collector.config.yaml.text import KeyPath, Marked, examine, read_yaml
from collector.domain import calibration_points
from collector.domain.hours import Hours, every_day, week_of
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
    Telling,
)
from collector.domain.problems import Problem, Refused
from collector.domain.schooldays import Calendars, SchoolDays, Span, joined
from collector.domain.units import MEASURES, parse_quantity

NO_DAY_AHEAD = 2**62
"""For those who do not know the present: no day is yet to come."""
_MOISTURE = 75.0
"""Of bedding weighed by people who did not measure it, percent of its wet mass."""


def _unread(name: str, zone: str) -> tuple[Span, ...]:
    """For those to whom it does not matter which days calendars name."""
    return ()


def read_lab(
    text: str,
    file: str = "lab.yaml",
    *,
    calibration_faults: CalibrationFaults = calibration_points.calibration_faults,
    calendars: Calendars = _unread,
) -> Lab:
    """The lab that `text` describes; `calendars` reads those it names. Raises Refused with every problem in it."""
    marked = read_yaml(text, file)
    if not marked.data:
        raise Refused(
            [
                Problem(
                    file=file,
                    line=1,
                    column=1,
                    message="the file is empty; 'traywarden init' writes one to start from",
                )
            ]
        )
    if not isinstance(marked.data, dict):
        raise Refused([marked.problem((), "needs keys like 'lab:', 'bins:' and 'probes:' at the top")])
    good, faults = examine(marked, LabFile, RENAMED_KEYS)
    bad = frozenset(fault.path for fault in faults if not fault.key)
    draft = Draft(marked=marked, data=_without(marked.data, bad), bad=bad, calibration_faults=calibration_faults)
    problems = [fault.problem for fault in faults] + list(meaning_problems(draft))
    if good is None or problems:
        raise Refused(problems)
    return _lab(good, _school(good, marked, calendars))


def _school(file: LabFile, marked: Marked, calendars: Calendars) -> SchoolDays:
    """The days of the school. Raises Refused with the problems of all calendars, each where the file names it."""
    problems: list[Problem] = []
    found: dict[str, list[Span]] = {"holidays": [], "terms": []}
    for key, spans in found.items():
        written: list[DaysOff] = getattr(file.lab, key) or []
        for index, entry in enumerate(written):
            if not isinstance(entry, str):
                spans.append(entry)
                continue
            try:
                spans += calendars(entry, file.lab.time_zone)
            except ValueError as error:
                problems.append(marked.problem(("lab", key, index), str(error)))
    if problems:
        raise Refused(problems)
    days = SchoolDays(closed=joined(found["holidays"]), terms=joined(found["terms"]))
    if not file.lab.hours:
        return days
    open_on = frozenset(day for day, ranges in enumerate(week_of(file.lab.hours)) if ranges)
    return SchoolDays(open_on, days.closed, days.terms)


def calendar_names(lab_text: str) -> tuple[str, ...]:
    """The calendars that a lab file names, as far as it can be read at all."""
    try:
        data = read_yaml(lab_text, "lab.yaml").data
    except Refused:
        return ()
    part = data.get("lab") if isinstance(data, dict) else None
    lists = [part.get(key) for key in ("holidays", "terms")] if isinstance(part, dict) else []
    written = [entry for found in lists if isinstance(found, list) for entry in found if isinstance(entry, str)]
    return tuple(dict.fromkeys(name for name in written if name.endswith((".ics", "/"))))


def _without(data: dict[str, Any], bad: Iterable[KeyPath]) -> dict[str, Any]:
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


def lab_warnings(lab: Lab, file: str = "lab.yaml", text: str = "", now_ms: int = NO_DAY_AHEAD) -> tuple[Problem, ...]:
    """What will run but is hardly meant, in file order; with the file's `text` each warning has its line. `now_ms`: the
    present, for dates that are yet to come."""
    marked = read_yaml(text, file)
    found = [marked.problem(path, message) for path, message in _warnings(lab)]
    found += [marked.problem(path, message) for path, message in calibration_warnings(lab, marked, now_ms)]
    return tuple(
        sorted(
            Problem(file=p.file, line=p.line, column=p.column, field=p.field, message=p.message, severity="warning")
            for p in found
        )
    )


def _warnings(lab: Lab) -> Iterator[tuple[KeyPath, str]]:
    if not lab.probes:
        yield ("probes",), "there are none; every reading will be kept as unplaced until a probe is assigned"
    yield from people_warnings(lab)


def _lab(file: LabFile, school_days: SchoolDays) -> Lab:
    hours = (
        Hours(week=week_of(file.lab.hours), zone=file.lab.time_zone).with_holidays(school_days)
        if file.lab.hours
        else None
    )
    return Lab(
        name=file.lab.name,
        time_zone=file.lab.time_zone,
        us_units=file.lab.units == "us",
        places=tuple(_places(file)),
        probes=tuple(_probe(key, part, ZoneInfo(file.lab.time_zone)) for key, part in (file.probes or {}).items()),
        people=tuple(_person(key, part) for key, part in (file.people or {}).items()),
        hours=hours,
        altitude_m=file.lab.altitude or 0.0,
        telling=_telling(file.messages or MessagesPart(), file.lab.time_zone, school_days),
        school_days=school_days,
    )


def _person(role: str, part: PersonPart) -> Person:
    return Person(
        role=role,
        email=part.email or "",
        priorities=tuple(dict.fromkeys(part.priorities)),
        chat=part.chat or "",
        where=tuple(dict.fromkeys(part.where or ())),
        turn=part.turn,
        digest=part.digest,
        weekly=part.weekly,
    )


def _telling(part: MessagesPart, zone: str, school_days: SchoolDays) -> Telling:
    week = week_of(part.waking) if part.waking else every_day(7 * 60, 21 * 60, zone).week
    return Telling(
        waking=Hours(week=week, zone=zone).with_holidays(school_days, week[-1]),
        digest_minute=part.digest,
        weekly_weekday=WEEKDAYS.index(part.weekly),
        pass_on_percent=part.pass_on_after,
    )


def _places(file: LabFile) -> Iterator[Place]:
    for key, part in (file.bins or {}).items():
        yield from _bin(key, part or BinPart())
    for key, brewer in (file.brewers or {}).items():
        name, volume_l = (brewer.name, brewer.volume) if brewer else (None, None)
        yield Place(id=key, kind=PlaceKind.BREWER, label=name or _label(key), volume_l=volume_l)
    for key, planter in (file.planters or {}).items():
        name, area_m2 = (planter.name, _planter_area(planter)) if planter else (None, None)
        yield Place(id=key, kind=PlaceKind.PLANTER, label=name or _label(key), area_m2=area_m2)
    yield Place(id="room", kind=PlaceKind.ROOM, label=(file.room.name if file.room else None) or "Room")


def _bin(key: str, part: BinPart) -> Iterator[Place]:
    name = part.name or _label(key)
    yield Place(id=key, kind=PlaceKind.BIN, label=name, bin=key)
    for level, (tray, given) in enumerate((part.trays or {}).items()):
        label = (given.name if given else None) or _tray_label(tray)
        yield Place(
            id=f"{key}/{tray}",
            kind=PlaceKind.TRAY,
            label=f"{name}, {label}",
            bin=key,
            tray=tray,
            level=level,
            area_m2=given.area if given else None,
            dry_kg=_dry_kg(given) if given else None,
        )


def _dry_kg(tray: TrayPart) -> float | None:
    """Dry mass from the wet mass and the moisture, percent of the wet mass, that it had then."""
    moisture = _MOISTURE if tray.moisture is None else tray.moisture
    return None if tray.bedding is None else tray.bedding * (1 - moisture / 100)


_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def _label(key: str) -> str:
    words = key.replace("-", " ")
    return words[:1].upper() + words[1:]


def _tray_label(key: str) -> str:
    words = key.replace("-", " ")
    if "tray" in words.split():
        return words
    return f"tray {words}" if words.isdigit() or words in _NUMBERS else f"{words} tray"


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
    return tuple(sorted(found, key=lambda calibration: calibration.from_ms))


def utc_ms(local: datetime, zone: ZoneInfo) -> int:
    """A moment on the clock of a zone, in ms UTC."""
    return round(local.replace(tzinfo=zone).timestamp()) * 1000
