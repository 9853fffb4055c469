"""A scenario as values: the lab, what people do in it, what goes wrong."""

from dataclasses import dataclass

from sim_sensors.faults import Fault
from sim_sensors.physics.brewer import Brewer, Tea
from sim_sensors.physics.room import Room
from sim_sensors.physics.tray import Bedding, Tray
from sim_sensors.probe_faults import ProbeFault
from sim_sensors.probe_setup import Probe


@dataclass(frozen=True, slots=True)
class TraySetup:
    bin: str
    tray: str
    spec: Tray
    start: Bedding

    @property
    def place(self) -> str:
        return f"{self.bin}/{self.tray}"


@dataclass(frozen=True, slots=True)
class BrewerSetup:
    place: str
    spec: Brewer
    start: Tea


@dataclass(frozen=True, slots=True)
class Care:
    """Something a person does to a tray: water poured over a while, or feed put in."""

    at_ms: int
    place: str
    water_kg: float = 0.0
    over_ms: int = 600_000
    feed_kg: float = 0.0
    peak_after_ms: int = 172_800_000


@dataclass(frozen=True, slots=True)
class Scenario:
    name: str
    title: str
    length_ms: int
    every_ms: int
    """How often each probe reports."""
    room: Room
    room_start_c: float | None
    """None: whatever the room's rhythm makes it at the start."""
    between_trays_w_k: float
    """Heat passed between neighbouring trays of a bin, W/K."""
    trays: tuple[TraySetup, ...]
    """Each bin's trays together, from the top down."""
    brewers: tuple[BrewerSetup, ...]
    care: tuple[Care, ...]
    faults: tuple[Fault, ...]
    probes: tuple[Probe, ...]
    probe_faults: tuple[ProbeFault, ...]
