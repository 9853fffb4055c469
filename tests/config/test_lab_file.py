"""lab.yaml to a Lab: what arrives in it, the template, the schema and the warnings."""

import json
from collections.abc import Iterator
from datetime import date
from typing import Any

import jsonschema
import pytest

from collector.config.lab_file import lab_schema, lab_warnings, read_lab
from collector.config.lab_models import LabFile
from collector.config.lab_template import LAB_TEMPLATE, SCHEMA_FILE
from collector.config.yaml.text import read_yaml
from collector.domain.hours import Hours, every_day
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
    series_keys,
)
from collector.domain.problems import Problem, Refused
from collector.domain.schooldays import SchoolDays
from tests.config.lab_texts import SMALL, refusals, with_channel

_WHOLE = """\
lab:
  name: Quillbrook School worm lab
  time_zone: UTC
  units: us
  altitude: 1000 ft
  hours: {mon: 08:00-12:00, thu-fri: 08:00-16:00}
  holidays: [2026-12-24 to 2027-01-03, 2026-11-26, "2026-12-21  to 2026-12-23"]
  terms: [2026-08-24 to 2027-06-18]
messages: {waking: {mon-sat: 06:30-20:00, sun: [09:00-12:00, 13:00-18:00]}, digest: "06:45", weekly: friday,
  pass_on_after: 25 %}
bins:
  juniper: {name: Juniper bin, trays: {top: {area: 1 ft2, name: upper tray, bedding: 10 lb, moisture: 80 %},
    tray-2: {bedding: 4 kg}, "3": {}, old-tray: }}
  maple: {}
brewers: {kettle: {name: Big kettle, volume: 5 gal}}
planters:
  planter-1: {length: 1.5 m, width: 1.0 m}
  planter-2: {name: Round one, area: 1 m2}
room: {name: Worm lab}
probes:
  juniper-top:
    place: juniper/top
    topic: worms/+/top
    format: json
    time: /at
    every: 90 s
    channels:
      moisture:
        pointer: /soil
        measure: bedding_moisture
        unit: count
        model: capacitive
        calibration:
          - {from: 2026-03-01 08:30, points: [[1900, 60 %], [1600, 85 %]]}
          - {from: 2026-01-01, points: [[1950, 62 %], [1620, 84 %]], note: oven samples}
  pump: {place: kettle, topic: worms/pump, format: number, channels: {pump: {measure: air_pump, unit: on/off}}}
people:
  teacher: {email: teacher@quillbrook.example, priorities: [high, medium, high]}
  maintainer: {email: maintainer@quillbrook.example, chat: phone, where: [juniper, "*/top", juniper], turn: 2,
    digest: no, weekly: yes}
  class: {chat: class-4b}
"""
_SCHOOL = SchoolDays(
    frozenset({0, 3, 4}),
    closed=((date(2026, 11, 26), date(2026, 11, 26)), (date(2026, 12, 21), date(2027, 1, 3))),
    terms=((date(2026, 8, 24), date(2027, 6, 18)),),
)
_SUNDAY = ((540, 720), (780, 1080))
_WHOLE_LAB = Lab(
    name="Quillbrook School worm lab",
    time_zone="UTC",
    us_units=True,
    altitude_m=304.8,
    places=(
        Place(id="juniper", kind=PlaceKind.BIN, label="Juniper bin", bin="juniper"),
        Place(
            id="juniper/top",
            kind=PlaceKind.TRAY,
            label="Juniper bin, upper tray",
            bin="juniper",
            tray="top",
            level=0,
            area_m2=0.09290304,
            dry_kg=pytest.approx(0.90718474),  # type: ignore[arg-type]  # a fifth of 10 lb
        ),
        Place(
            id="juniper/tray-2",
            kind=PlaceKind.TRAY,
            label="Juniper bin, tray 2",
            bin="juniper",
            tray="tray-2",
            level=1,
            dry_kg=1,
        ),
        Place(id="juniper/3", kind=PlaceKind.TRAY, label="Juniper bin, tray 3", bin="juniper", tray="3", level=2),
        Place(
            id="juniper/old-tray",
            kind=PlaceKind.TRAY,
            label="Juniper bin, old tray",
            bin="juniper",
            tray="old-tray",
            level=3,
        ),
        Place(id="maple", kind=PlaceKind.BIN, label="Maple", bin="maple"),
        Place(id="kettle", kind=PlaceKind.BREWER, label="Big kettle", volume_l=18.92705892),
        Place(id="planter-1", kind=PlaceKind.PLANTER, label="Planter 1", area_m2=1.5),
        Place(id="planter-2", kind=PlaceKind.PLANTER, label="Round one", area_m2=1.0),
        Place(id="room", kind=PlaceKind.ROOM, label="Worm lab"),
    ),
    probes=(
        Probe(
            id="juniper-top",
            place="juniper/top",
            topic="worms/+/top",
            format=Format.JSON,
            channels=(
                Channel(
                    key="moisture",
                    measure="bedding_moisture",
                    unit="count",
                    name="/soil",
                    model="capacitive",
                    calibrations=(
                        Calibration(
                            1767225600000,  # 2026-01-01T00:00Z; the earlier date first, wherever it stands
                            (CalibrationPoint(1950.0, 62.0), CalibrationPoint(1620.0, 84.0)),
                            "oven samples",
                        ),
                        Calibration(
                            1772353800000,  # 2026-03-01T08:30Z
                            (CalibrationPoint(1900.0, 60.0), CalibrationPoint(1600.0, 85.0)),
                        ),
                    ),
                ),
            ),
            every_ms=90_000,
            time_pointer="/at",
        ),
        Probe(
            id="pump",
            place="kettle",
            topic="worms/pump",
            format=Format.NUMBER,
            channels=(Channel(key="pump", measure="air_pump", unit="on/off"),),
        ),
    ),
    people=(
        Person(role="teacher", email="teacher@quillbrook.example", priorities=("high", "medium")),
        Person(
            role="maintainer",
            email="maintainer@quillbrook.example",
            chat="phone",
            where=("juniper", "*/top"),
            turn=2,
            digest=False,
            weekly=True,
        ),
        Person(role="class", chat="class-4b"),
    ),
    hours=Hours(week=(((480, 720),), (), (), ((480, 960),), ((480, 960),), (), ()), zone="UTC", school_days=_SCHOOL),
    telling=Telling(
        waking=Hours(week=(*(((390, 1200),),) * 6, _SUNDAY), zone="UTC", school_days=_SCHOOL, on_holidays=_SUNDAY),
        digest_minute=405,
        weekly_weekday=4,
        pass_on_percent=25.0,
    ),
    school_days=_SCHOOL,
)


def test_the_example_lab_is_read_whole() -> None:
    """Each thing the file can say arrives in the Lab, in canonical units and in file order."""
    assert read_lab(_WHOLE) == _WHOLE_LAB
    assert [key.channel for key in series_keys(_WHOLE_LAB)] == ["moisture", "pump"]


def test_a_lab_may_have_nothing_but_a_name() -> None:
    """Without probes readings are unplaced, without people nobody is told: legal, and sections may be empty."""
    lab = read_lab("lab: {name: Worm lab, time_zone: UTC}\nbins:\nprobes:\npeople:\nroom:\n")
    assert lab.places == (Place(id="room", kind=PlaceKind.ROOM, label="Room"),)
    assert lab.probes == ()
    assert lab.people == ()
    assert (lab.hours, lab.school_days) == (None, SchoolDays())
    assert lab.telling == Telling(
        waking=every_day(7 * 60, 21 * 60, "UTC"), digest_minute=7 * 60, weekly_weekday=0, pass_on_percent=40.0
    )


def test_places_without_anything_below_have_their_keys_for_names() -> None:
    """A tray, brewer or planter may be written as its key alone."""
    labels = [place.label for place in read_lab(SMALL).places]
    assert labels == ["Juniper", "Juniper, top tray", "Juniper, middle tray", "Kettle", "Planter 1", "Room"]


@pytest.mark.parametrize("text", ["", "# only a comment\n", "~", "{}", "---\n"])
def test_an_empty_file_says_how_to_get_one(text: str) -> None:
    """Nothing in the file is one problem, not one for each key that could be there."""
    assert refusals(text) == ["the file is empty; 'traywarden init' writes one to start from"]


@pytest.mark.parametrize("text", ["- a\n", "lab\n", "5\n"])
def test_a_file_of_another_kind_says_what_is_needed(text: str) -> None:
    """A list or a word at the top is one problem."""
    assert refusals(text) == ["needs keys like 'lab:', 'bins:' and 'probes:' at the top"]


def test_a_date_starts_at_midnight_on_the_clock_of_the_lab() -> None:
    """Calibrations hold from local midnight, before and after the clocks change."""
    channel = "{name: a, measure: bedding_moisture, unit: count, calibration: [%s, %s]}"
    sets = ["{from: 2026-01-15, points: [[1, 1 %], [2, 2 %]]}", "{from: 2026-07-15, points: [[1, 1 %], [2, 2 %]]}"]
    text = with_channel(channel % tuple(sets)).replace("time_zone: UTC", "time_zone: EST5EDT")
    winter, summer = read_lab(text).probes[0].channels[0].calibrations
    assert winter.from_ms == 1768453200000  # 2026-01-15T05:00Z: five hours behind
    assert summer.from_ms == 1784088000000  # 2026-07-15T04:00Z: four hours behind


def test_of_two_calibrations_with_one_date_the_later_in_the_file_comes_later() -> None:
    """A calibration done again on the same day is written below the first, and holds."""
    points = "{from: 2026-01-01, points: [[1, 1 %%], [2, %s %%]]}"
    text = with_channel(
        f"{{name: a, measure: bedding_moisture, unit: count, calibration: [{points % 2}, {points % 3}]}}"
    )
    assert [one.points[1].value for one in read_lab(text).probes[0].channels[0].calibrations] == [2.0, 3.0]


def test_warnings_of_a_lab_without_probes_and_people() -> None:
    """Legal, but hardly meant; without the file's text the warnings stand at its start."""
    lab = read_lab(SMALL)
    assert [str(problem) for problem in lab_warnings(lab)] == [
        "lab.yaml:1:1 people: warning: there is nobody to tell; alarms will show on status but no message will go out",
        "lab.yaml:1:1 probes: warning: there are none; every reading will be kept as unplaced until a probe is "
        "assigned",
    ]


def test_warnings_about_people_have_their_line() -> None:
    """A priority that nobody is told of, and one address twice, are pointed out where they stand."""
    text = with_channel("{name: a, measure: battery, unit: V}") + (
        "people:\n"
        "  teacher: {email: lab@quillbrook.example, priorities: [low]}\n"
        "  class: {email: Lab@quillbrook.example, priorities: [low, medium]}\n"
    )
    found = lab_warnings(read_lab(text), "lab.yaml", text)
    twice = "is also the address of teacher, so messages come twice"
    assert found == (
        Problem(
            file="lab.yaml",
            line=14,
            column=3,
            field="people",
            message="nobody is told of alarms of high priority",
            severity="warning",
        ),
        Problem(file="lab.yaml", line=15, column=18, field="people.class.email", message=twice, severity="warning"),
    )


def test_the_template_is_a_lab_without_problems_or_warnings() -> None:
    """What `init` writes runs as it stands, on any line ending and with a byte order mark before it."""
    lab = read_lab(LAB_TEMPLATE)
    assert lab_warnings(lab) == ()
    assert {place.kind for place in lab.places} == set(PlaceKind) - {PlaceKind.COLLECTOR}
    assert {probe.format for probe in lab.probes} == set(Format)
    assert read_lab(LAB_TEMPLATE.replace("\n", "\r\n")) == lab
    assert read_lab("\ufeff" + LAB_TEMPLATE) == lab


def test_the_template_names_the_schema_for_editors() -> None:
    """In words, for whichever editor somebody has; no line of it is made for one program."""
    assert f"can be given {SCHEMA_FILE}" in LAB_TEMPLATE
    assert "$schema" not in LAB_TEMPLATE


def _fields(schema: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for part in [schema, *schema["$defs"].values()]:
        for name, field in part["properties"].items():
            yield part["title"], name, field


EXAMPLE = "  # caretaker: "


def test_the_template_shows_every_field() -> None:
    """Each key that the file can hold stands in the template as a key, in the file or in its one line to uncomment."""
    marked = read_yaml(LAB_TEMPLATE.replace(EXAMPLE, EXAMPLE.replace("# ", "")), "lab.yaml")
    shown = {path[-1] for path in marked.keys}
    assert {name for _, name, _ in _fields(lab_schema())} <= shown


def test_the_line_to_uncomment_makes_a_sound_lab() -> None:
    """It is left out only because its chat address has to be in the settings first."""
    assert EXAMPLE in LAB_TEMPLATE
    text = LAB_TEMPLATE.replace(EXAMPLE, EXAMPLE.replace("# ", ""))
    lab = read_lab(text)
    assert lab_warnings(lab, text=text) == ()
    assert lab.people[:2] == read_lab(LAB_TEMPLATE).people
    caretaker = Person(
        role="caretaker",
        email="",
        priorities=("high",),
        chat="caretaker-phone",
        where=("juniper/*", "room"),
        turn=2,
        digest=False,
    )
    assert lab.people[2:] == (caretaker,)


def test_every_field_is_described_in_the_schema() -> None:
    """An editor has a line of help for each key."""
    undescribed = [f"{part}.{name}" for part, name, field in _fields(lab_schema()) if not field.get("description")]
    assert undescribed == []


def test_the_schema_takes_the_template_and_is_itself_valid() -> None:
    """Editors show the template without a squiggle."""
    schema = lab_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(read_yaml(LAB_TEMPLATE, "lab.yaml").data, schema)
    assert json.loads(json.dumps(schema)) == schema


@pytest.mark.slow
@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("units: metric", "units: imperial"),
        ("0.165 m2", "0.165"),
        ("volume: 20 L", "volume: 20 m"),
        ("every: 30 s", "every: soon"),
        ("[1950, 62 %]", "[1950]"),
        ("from: 2026-01-01", "from: soon"),
        ("place: maple/top", "plaice: maple/top"),
        ("measure: air_pump", "measure: pump"),
        ("format: number", "format: xml"),
        ("priorities: [medium, high]", "priorities: [urgent]"),
        ("bedding: 5 kg", "bedding: 5 L"),
        ("moisture: 75 %", "moisture: 75"),
        ("holidays: [2026-12-21 to 2027-01-03]", "holidays: [christmas]"),
        ("terms: []", "terms: [2026-12-21 - 2027-01-03]"),
        ('digest: "07:00"', "digest: 7 am"),
        ("weekly: monday", "weekly: someday"),
        ("pass_on_after: 40 %", "pass_on_after: 40 min"),
        ("mon-fri: 07:00-21:00", "mon-fri: 7-21"),
        ("weekly: yes", "weekly: often"),
        ("weekly: yes", "turn: 0"),
        ("weekly: yes", "where: []"),
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(before: str, after: str) -> None:
    """A slip that an editor can see is seen by both."""
    assert before in LAB_TEMPLATE
    text = LAB_TEMPLATE.replace(before, after, 1)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(read_yaml(text, "lab.yaml").data, lab_schema())
    with pytest.raises(Refused):
        read_lab(text)


def test_models_and_schema_name_the_same_keys() -> None:
    """The schema is generated from the models that read the file."""
    assert set(lab_schema()["properties"]) == set(LabFile.model_fields)


def test_a_lab_under_the_sea_or_in_the_sky_is_refused() -> None:
    """Heights between the lowest shore and 5,500 m, with their unit."""
    for written in ("6000 m", "-500 m"):
        (told,) = refusals(f"lab: {{name: Worm lab, time_zone: UTC, altitude: {written}}}")
        wanted = "is not the height of a lab; it lies between -430 m and 5500 m"
        assert told == f"lab.altitude: '{written}' {wanted}"
