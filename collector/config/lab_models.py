"""The shape of lab.yaml: which keys there are, what each holds, and what an editor shows for it.

Only the shape. What one part means for another (places that exist, units that measure the measure, topics that two
probes would share) is checked in `collector.config.lab_checks`, so that it is said even when a shape is wrong.
"""

from datetime import date, datetime
from functools import partial
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from collector.config import lab_words
from collector.domain import words
from collector.domain.hours import RANGE_PATTERN, parse_ranges
from collector.domain.lab import Format
from collector.domain.probe_models import MODELS
from collector.domain.units import PUBLISHED, known_units, quantity_schema

FORMATS = tuple(kind.value for kind in Format)
PRIORITIES = ("low", "medium", "high")
UNIT_SYSTEMS = ("metric", "us")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def _enum(known: tuple[str, ...]) -> Any:
    return Field(json_schema_extra={"enum": list(known)})


Key = Annotated[str, AfterValidator(lab_words.key)]
Name = Annotated[str, AfterValidator(words.plain_text)]
Note = Annotated[str, AfterValidator(words.one_line)]
Area = Annotated[
    float,
    BeforeValidator(partial(lab_words.size, dimension="area", most=100.0, most_text="100 m2")),
    WithJsonSchema(quantity_schema("area")),
]
Length = Annotated[
    float,
    BeforeValidator(partial(lab_words.size, dimension="length", most=100.0, most_text="100 m")),
    WithJsonSchema(quantity_schema("length")),
]
Altitude = Annotated[float, BeforeValidator(lab_words.altitude), WithJsonSchema(quantity_schema("length"))]
Volume = Annotated[
    float,
    BeforeValidator(partial(lab_words.size, dimension="volume", most=10_000.0, most_text="10,000 L")),
    WithJsonSchema(quantity_schema("volume")),
]
Mass = Annotated[
    float,
    BeforeValidator(partial(lab_words.size, dimension="mass", most=1_000.0, most_text="1,000 kg")),
    WithJsonSchema(quantity_schema("mass")),
]
Moisture = Annotated[
    float, BeforeValidator(partial(lab_words.share, low=0.0, high=95.0)), WithJsonSchema(quantity_schema("percent"))
]
PassOnShare = Annotated[
    float, BeforeValidator(partial(lab_words.share, low=5.0, high=100.0)), WithJsonSchema(quantity_schema("percent"))
]
Every = Annotated[int, BeforeValidator(lab_words.every), WithJsonSchema(quantity_schema("duration"))]
MeasureName = Annotated[str, AfterValidator(partial(words.choice, what="measure", known=PUBLISHED)), _enum(PUBLISHED)]
ModelName = Annotated[str, AfterValidator(partial(words.choice, what="probe model", known=MODELS)), _enum(MODELS)]
FormatName = Annotated[str, AfterValidator(partial(words.choice, what="payload format", known=FORMATS)), _enum(FORMATS)]
UnitName = Annotated[str, AfterValidator(lab_words.unit), _enum(known_units())]
PriorityName = Annotated[
    str, AfterValidator(partial(words.choice, what="priority", known=PRIORITIES)), _enum(PRIORITIES)
]
Units = Annotated[
    str, AfterValidator(partial(words.choice, what="system of units", known=UNIT_SYSTEMS)), _enum(UNIT_SYSTEMS)
]
Weekday = Annotated[str, AfterValidator(partial(words.choice, what="day of the week", known=WEEKDAYS)), _enum(WEEKDAYS)]
MinuteOfDay = Annotated[
    int,
    BeforeValidator(lab_words.minute_of_day),
    WithJsonSchema({"type": "string", "pattern": r"^([01]\d|2[0-3]):[0-5]\d$", "examples": ["07:00"]}),
]
DaysOff = Annotated[
    tuple[date, date] | str,
    BeforeValidator(lab_words.days_off),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^(\d{4}-\d{2}-\d{2}( +to +\d{4}-\d{2}-\d{2})?|.*(\.ics|/))$",
            "examples": ["2026-11-26", "2026-12-21 to 2027-01-03", "calendars/terms.ics", "calendars/"],
        }
    ),
]
LocalTime = Annotated[
    datetime,
    BeforeValidator(lambda value: lab_words.local_time(value if isinstance(value, str) else repr(value))),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2})?$",
            "examples": ["2026-01-01", "2026-01-01 08:30"],
        }
    ),
]
RawAndTrue = Annotated[
    tuple[float, object],
    BeforeValidator(lab_words.point),
    WithJsonSchema(
        {
            "type": "array",
            "minItems": 2,
            "maxItems": 2,
            "items": {"type": ["number", "string", "boolean"]},
            "examples": [[1950, "62 %"]],
        }
    ),
]

Days = Annotated[str, AfterValidator(lab_words.days)]
_ONE_RANGE: dict[str, Any] = {"type": "string", "pattern": RANGE_PATTERN}
DayHours = Annotated[
    tuple[tuple[int, int], ...],
    BeforeValidator(parse_ranges),
    WithJsonSchema(
        {
            "anyOf": [_ONE_RANGE, {"type": "array", "items": _ONE_RANGE, "minItems": 1}],
            "examples": ["08:00-16:00", ["08:00-12:00", "13:00-16:00"]],
        }
    ),
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LabPart(_Part):
    name: Name = Field(description="What messages and pages call the lab.")
    time_zone: Annotated[str, AfterValidator(lab_words.time_zone)] = Field(
        description="IANA time zone of the lab: days, quiet hours and dates follow its clock.", examples=["UTC"]
    )
    units: Units = Field(default="metric", description="What people read: metric, or us for degrees Fahrenheit.")
    altitude: Altitude | None = Field(
        default=None,
        description="Height above the sea, for how much oxygen water holds; by itself 0 m.",
        examples=["250 m"],
    )
    hours: dict[Days, DayHours] | None = Field(
        default=None, description="When people are in the lab, by day or span of days; by itself never."
    )
    holidays: list[DaysOff] | None = Field(
        default=None,
        description="Days without lessons: days, spans of days, iCalendar files or folders of them in the home folder.",
    )
    terms: list[DaysOff] | None = Field(
        default=None, description="When school is on, in the same forms; where given, all days outside are holidays."
    )


class MessagesPart(_Part):
    waking: dict[Days, DayHours] | None = Field(
        default=None,
        description="When a medium alarm may call; holidays have Sunday's hours. By itself 07:00-21:00 each day.",
    )
    digest: MinuteOfDay = Field(
        default=7 * 60,
        description="When the digest goes out on school days, in quotes.",
        json_schema_extra={"default": "07:00"},
    )
    weekly: Weekday = Field(default="monday", description="Day of the weekly report, at the time of the digest.")
    pass_on_after: PassOnShare = Field(
        default=40.0,
        description="Share of the time to respond; an alarm nobody acknowledged by then is told to the next turn.",
        json_schema_extra={"default": "40 %"},
    )


class TrayPart(_Part):
    name: Name | None = Field(default=None, description="What people call it; by itself '<key> tray'.")
    area: Area | None = Field(default=None, description="Area of bedding seen from above.")
    bedding: Mass | None = Field(default=None, description="Mass of the bedding as it was weighed, moist.")
    moisture: Moisture | None = Field(
        default=None, description="Its moisture when it was weighed, wet basis; by itself 75 %."
    )


class BinPart(_Part):
    name: Name | None = Field(default=None, description="What people call it; by itself the key with a capital.")
    trays: dict[Key, TrayPart | None] | None = Field(default=None, description="Its trays, in order from the top.")


class BrewerPart(_Part):
    name: Name | None = Field(default=None, description="What people call it; by itself the key with a capital.")
    volume: Volume | None = Field(default=None, description="Water it holds when filled for a brew.")


class PlanterPart(_Part):
    name: Name | None = Field(default=None, description="What people call it; by itself the key with a capital.")
    length: Length | None = Field(default=None, description="Inside length; needs width too.")
    width: Length | None = Field(default=None, description="Inside width; needs length too.")
    area: Area | None = Field(default=None, description="Area of soil, instead of length and width.")


class RoomPart(_Part):
    name: Name | None = Field(default=None, description="What people call the room; by itself 'Room'.")


class CalibrationPart(_Part):
    from_: LocalTime = Field(
        alias="from", description="Valid from this date (or date and time) on the lab's clock until the next one."
    )
    points: list[RawAndTrue] = Field(
        description="At least two of [raw reading, true value with its unit]; between them straight lines.",
    )
    note: Note = Field(default="", description="How the points were taken.")


class ChannelPart(_Part):
    measure: MeasureName = Field(description="What the channel measures.")
    unit: UnitName = Field(description="Unit the probe sends; with a calibration, the unit of the raw readings.")
    name: Annotated[str, AfterValidator(lab_words.senml_name)] | None = Field(
        default=None, description="SenML formats: the record's name, after the probe's senml_name."
    )
    pointer: Annotated[str, AfterValidator(lab_words.pointer)] | None = Field(
        default=None, description="Format json: JSON Pointer (RFC 6901) to the number.", examples=["/soil"]
    )
    model: ModelName = Field(default="generic", description="Probe model, for its limits and its codes for 'no value'.")
    calibration: list[CalibrationPart] | None = Field(
        default=None, description="Points that turn raw readings into the measure; each set holds from its date."
    )


class ProbePart(_Part):
    place: str = Field(
        description="Where it is: 'bin/tray', a bin, a brewer, a planter, or room.", examples=["juniper/top"]
    )
    topic: Annotated[str, AfterValidator(lab_words.topic)] = Field(
        description="MQTT topic it publishes to; '+' stands for any one level.", examples=["worms/juniper/top"]
    )
    format: FormatName = Field(description="What its messages are: SenML as JSON or CBOR, JSON, or a bare number.")
    senml_name: Annotated[str, AfterValidator(lab_words.senml_name)] = Field(
        default="", description="SenML formats: how the names of its records start; by itself the topic alone tells."
    )
    time: Annotated[str, AfterValidator(lab_words.time_pointer)] | None = Field(
        default=None, description="Format json: JSON Pointer to the time of the reading; by itself the time of arrival."
    )
    every: Every = Field(default=60_000, description="How often it reports.", json_schema_extra={"default": "1 min"})
    channels: dict[Key, ChannelPart] = Field(description="What it measures, by a key of your choice.", min_length=1)


class PersonPart(_Part):
    email: Annotated[str, AfterValidator(lab_words.email)] | None = Field(
        default=None, description="Mail address; this, chat or both.", examples=["teacher@quillbrook.example"]
    )
    chat: Annotated[str, AfterValidator(lab_words.chat_name)] | None = Field(
        default=None, description="Name of a chat address in TRAYWARDEN_CHAT__URLS.", examples=["teacher-phone"]
    )
    priorities: list[PriorityName] = Field(
        default=list(PRIORITIES), description="Priorities of alarms that this person is told of.", min_length=1
    )
    where: list[Annotated[str, AfterValidator(lab_words.pattern)]] | None = Field(
        default=None,
        description="Places this person hears of, '*' for one level; by itself all, and the collector's own alarms.",
        min_length=1,
        examples=[["juniper/*", "room"]],
    )
    turn: Annotated[int, Field(strict=True), AfterValidator(lab_words.turn)] = Field(
        default=1,
        description="1 is told first, 2 where nobody has acknowledged by then, and so on.",
        json_schema_extra={"minimum": 1, "maximum": lab_words.MAX_TURN},
    )
    digest: bool = Field(
        default=True, description="Gets the digest of each school day, with the alarms of low priority."
    )
    weekly: bool = Field(default=False, description="Gets the maintainer's weekly report.")


RENAMED_KEYS: dict[tuple[type[BaseModel], str], str] = {
    (MessagesPart, "escalate_after"): "pass_on_after",
    (PersonPart, "step"): "turn",
}
"""Keys of before, which are refused: what they are called now."""


class LabFile(_Part):
    lab: LabPart = Field(description="The lab as a whole.")
    messages: MessagesPart | None = Field(default=None, description="When people are told what.")
    bins: dict[Key, BinPart | None] | None = Field(default=None, description="Worm bins, by a key of your choice.")
    brewers: dict[Key, BrewerPart | None] | None = Field(default=None, description="Vessels for aerated compost tea.")
    planters: dict[Key, PlanterPart | None] | None = Field(
        default=None, description="Planters that tea and castings go to."
    )
    room: RoomPart | None = Field(default=None, description="The room the bins stand in; its place is 'room'.")
    probes: dict[Key, ProbePart] | None = Field(default=None, description="Probes, by a key of your choice.")
    people: dict[Key, PersonPart] | None = Field(
        default=None, description="Who is told, by role or group; never the name of a child."
    )
