"""The lab as values: bins and their trays, brewers, planters, the room, the probes in them and the people to tell.

Read from lab.yaml by `collector.config.lab_file`; nothing here knows about files.
"""

from dataclasses import dataclass, field
from enum import Enum

from collector.domain.hours import Hours, every_day
from collector.domain.schooldays import SchoolDays


class PlaceKind(Enum):
    """What a place is."""

    BIN = "bin"
    TRAY = "tray"
    BREWER = "brewer"
    PLANTER = "planter"
    ROOM = "room"
    COLLECTOR = "collector"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Somewhere a probe can be. `id` is 'juniper/top' for a tray, else the plain key ('juniper', 'kettle', 'room')."""

    id: str
    kind: PlaceKind
    label: str
    """What people read: 'Juniper, top tray'."""
    bin: str = ""
    """Key of the bin for bins and trays, else empty."""
    tray: str = ""
    level: int = 0
    """Trays: 0 is the top one."""
    area_m2: float | None = None
    volume_l: float | None = None
    dry_kg: float | None = None
    """Trays: dry mass of the bedding, from which amounts of water follow."""


class Format(Enum):
    """Payload formats a probe may send."""

    SENML_JSON = "senml"
    SENML_CBOR = "senml-cbor"
    JSON = "json"
    NUMBER = "number"


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """One raw reading and what was true then."""

    raw: float
    value: float
    """In the canonical unit of the channel's measure."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Straight lines between points sorted by raw value; valid from `from_ms` until the next one of the channel."""

    from_ms: int
    points: tuple[CalibrationPoint, ...]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One measured quantity of one probe, or one that is computed and that nothing published can claim to be."""

    key: str
    """Its key under the probe's `channels`."""
    measure: str
    unit: str
    """Unit the probe sends where the payload names none; with calibrations, the unit of `CalibrationPoint.raw`."""
    name: str = ""
    """SenML: record name after the probe's `senml_name`. JSON: a JSON Pointer (RFC 6901). Bare number: empty."""
    model: str = "generic"
    """Probe model whose limits and sentinels apply: ds18b20, capacitive, sht3x, dht22, oxygen, switch, generic."""
    calibrations: tuple[Calibration, ...] = ()


NOT_SENT = "(computed)"
"""Name of channels that no probe sends; no record and no JSON Pointer can be called this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """What publishes readings, and where it stands."""

    id: str
    place: str
    topic: str
    """MQTT topic filter without '#': a plain topic or one with '+' levels."""
    format: Format
    channels: tuple[Channel, ...]
    every_ms: int = 60_000
    """How often it is expected to report."""
    senml_name: str = ""
    """Resolved names start with this; empty means the topic alone identifies the probe."""
    time_pointer: str = ""
    """JSON only: pointer to the time of the reading; empty means arrival time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Someone to tell, by role. No pupil's personal data: a role or a group, never a child's name."""

    role: str
    email: str = ""
    """Empty: told by chat alone."""
    priorities: tuple[str, ...] = ("low", "medium", "high")
    chat: str = ""
    """Name of one of the chat addresses in TRAYWARDEN_CHAT__URLS; empty: none is this person's own."""
    where: tuple[str, ...] = ()
    """Place patterns, as rules have them; empty: everywhere."""
    turn: int = 1
    """1 is told first; 2, 3 ... only where nobody has acknowledged by then."""
    digest: bool = True
    """Gets the digest of each school morning."""
    weekly: bool = False
    """Gets the maintainer's weekly report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Telling:
    """When people are told what."""

    waking: Hours
    """When a medium alarm may call; outside it waits, unless time to respond would run out."""
    digest_minute: int = 7 * 60
    """When the digest goes out on school days, minutes from midnight on the lab's clock."""
    weekly_weekday: int = 0
    """Day of the weekly report, with the digest's time. Monday is 0."""
    pass_on_percent: float = 40.0
    """Unacknowledged after this share of its time to respond an alarm is told to turn 2, after twice that to turn 3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lab:
    """One lab as its file describes it."""

    name: str
    time_zone: str
    us_units: bool
    places: tuple[Place, ...]
    probes: tuple[Probe, ...]
    people: tuple[Person, ...]
    hours: Hours | None = None
    """When people are in the lab; None: never."""
    altitude_m: float = 0.0
    telling: Telling = field(default_factory=lambda: Telling(waking=every_day(7 * 60, 21 * 60, "UTC")))
    school_days: SchoolDays = field(default_factory=SchoolDays)
    by_id: dict[str, Place] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_id", {place.id: place for place in self.places})


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One stored time series: a channel of a probe at a place. Moving a probe starts a new series, so that history
    stays where it was measured."""

    id: int
    probe: str
    channel: str
    measure: str
    place: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesKey:
    """What makes a series the same one; the journal gives each key its number."""

    probe: str
    channel: str
    measure: str
    place: str


def series_keys(lab: Lab) -> tuple[SeriesKey, ...]:
    """The series the lab file asks for, in file order."""
    return tuple(
        SeriesKey(probe=p.id, channel=c.key, measure=c.measure, place=p.place) for p in lab.probes for c in p.channels
    )


def subjects(lab: Lab) -> tuple[SeriesKey, ...]:
    """Series without readings, for alarms about a whole probe or place: a number in the journal, as all others have."""
    probes = [SeriesKey(probe=probe.id, channel="", measure="", place=probe.place) for probe in lab.probes]
    return (*probes, *(SeriesKey(probe="", channel="", measure="", place=place.id) for place in lab.places))
