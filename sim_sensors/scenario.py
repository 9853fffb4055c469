"""A scenario as values: the lab, what people do in it, what goes wrong."""

from dataclasses import dataclass

from sim_sensors.around import FIXED, Caption, Expected, Vary
from sim_sensors.brewing import Brew
from sim_sensors.caring import Care, Routine
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
class BinSetup:
    """What is under the trays of a bin."""

    name: str
    sump_kg: float
    """What the sump holds."""
    start_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class BrewerSetup:
    place: str
    spec: Brewer
    start: Tea


@dataclass(frozen=True, slots=True)
class Scenario:
    name: str
    title: str
    length_ms: int
    every_ms: int
    """How often each probe reports."""
    step_ms: int
    """Step of the physics. Faults and care begin and end on it."""
    states_ms: int
    """How often the truth tells the state of everything; whole steps."""
    room: Room
    room_start_c: float | None
    """None: whatever the room's rhythm makes it at the start."""
    between_trays_w_k: float
    """Heat passed between neighbouring trays of a bin, W/K."""
    doubling_d: float
    """Time in which worms double where all is well, days."""
    bins: tuple[BinSetup, ...]
    trays: tuple[TraySetup, ...]
    """Each bin's trays together, from the top down; the bins in the order of `bins`."""
    brewers: tuple[BrewerSetup, ...]
    brews: tuple[Brew, ...]
    care: tuple[Care, ...]
    routine: tuple[Routine, ...]
    faults: tuple[Fault, ...]
    probes: tuple[Probe, ...]
    probe_faults: tuple[ProbeFault, ...]
    start_ms: int | None = None
    """First moment of a recording, ms UTC, unless told otherwise."""
    vary: Vary = FIXED
    harms: tuple[Expected, ...] = ()
    captions: tuple[Caption, ...] = ()
    mail_away: tuple[int, int] | None = None
    """(from, until) since the run began: a test bench takes the mail server away."""
