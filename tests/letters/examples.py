"""Quillbrook's room as the message tests see it: Juniper's top tray is too warm on a Monday morning."""

from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.alarms.model import AlarmKey, Event, Kind, Priority, Rule, State, Transition
from collector.domain.lab import Calibration, CalibrationPoint, Channel, Person
from tests.worlds.values import KETTLE as KETTLE
from tests.worlds.values import ROOM as ROOM
from tests.worlds.values import lab, probe, series, tray

ZONE = ZoneInfo("America/Chicago")
MINUTE = 60_000
HOUR = 60 * MINUTE


def at(day: int, hour: int, minute: int = 0, month: int = 3, year: int = 2025) -> int:
    """Local time at Quillbrook in ms UTC. 3 March 2025 is a Monday."""
    return round(datetime(year, month, day, hour, minute, tzinfo=ZONE).timestamp() * 1000)


NOW = at(3, 10, 20)

TOP = tray("juniper/top")

TOP_TEMPERATURE = series(3, probe="juniper-top", channel="temperature", unit="Cel")
TOP_MOISTURE = series(4, "bedding_moisture", probe="juniper-top", channel="moisture", unit="count")
KETTLE_PUMP = series(5, "air_pump", "kettle", probe="kettle-probe", channel="pump", unit="on/off")
ROOM_AIR = series(6, "air_temperature", "room", probe="room-air", channel="temperature", unit="Cel")

LAB = lab(
    time_zone="America/Chicago",
    places=(TOP, KETTLE, ROOM),
    probes=(
        probe(
            "juniper-top",
            "juniper/top",
            Channel(key="temperature", measure="bedding_temperature", unit="Cel", model="ds18b20"),
            Channel(
                key="moisture",
                measure="bedding_moisture",
                unit="count",
                model="capacitive",
                calibrations=(Calibration(0, (CalibrationPoint(1950.0, 62.0), CalibrationPoint(1620.0, 84.0))),),
            ),
        ),
        probe("kettle-probe", "kettle", Channel(key="pump", measure="air_pump", unit="on/off")),
        probe("room-air", "room", Channel(key="temperature", measure="air_temperature", unit="Cel")),
    ),
    people=(
        Person(role="teacher", email="teacher@quillbrook.example"),
        Person(role="maintainer", email="maintainer@quillbrook.example", priorities=("high",)),
        Person(role="second teacher", email="teacher@quillbrook.example"),
    ),
)

HOT = Rule(
    name="bedding-hot",
    kind=Kind.HIGH,
    measure="bedding_temperature",
    where=(),
    setpoint=30.0,
    deadband=1.0,
    on_delay_ms=10 * MINUTE,
    off_delay_ms=10 * MINUTE,
    priority=Priority.HIGH,
    consequence="Worms crawl out or die once the bedding passes 35 °C.",
    corrective_action="Take the lid off and move the bin out of the sun.\nLay a frozen water bottle on the blanket.",
    time_to_respond_ms=4 * HOUR,
    basis="Earthworm Ecology, 2nd ed. 2004, Table 18.3: 4 to 30 °C tolerated",
)
SILENT = replace(
    HOT,
    name="probe-silent",
    kind=Kind.SILENT,
    measure="",
    setpoint=45.0 * MINUTE,
    priority=Priority.MEDIUM,
    consequence="Nobody would notice a tray that dries out or overheats.",
    corrective_action="Look at the probe's lamp, plug and cable.",
    basis="three missed reports",
)

RAISED = Transition(
    key=AlarmKey("bedding-hot", 3),
    event=Event.RAISED,
    before=State.NORMAL,
    after=State.UNACKNOWLEDGED,
    t_ms=at(3, 9, 50),
    since_ms=at(3, 9, 40),
    raised_ms=at(3, 9, 50),
    value=31.2,
    worst=31.2,
)
CLEARED = replace(
    RAISED, event=Event.CLEARED, before=State.UNACKNOWLEDGED, after=State.RETURNED, t_ms=at(3, 11, 20), value=28.9,
    worst=33.4,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Letter:
    """One row of the outbox as a channel gets it."""

    id: int = 1
    key: str = "bedding-hot-3-1741017000000-raised-0123456789abcdef"
    recipient: str = "teacher@quillbrook.example"
    channel: str = "email"
    priority: str = "high"
    subject: str = "URGENT: Juniper, top tray: bedding temperature too high, 31.2 °C"
    body: str = "Juniper, top tray: bedding temperature too high\n\nNow:         31.2 °C at 10:19\n"
    created_ms: int = NOW
    attempts: int = 0
    html: str = ""
    parents: tuple[str, ...] = ()
    picture: str = ""
