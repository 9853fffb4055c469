"""What a lab is put together from while it is drawn, and how chance is asked."""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from sim_sensors.brewing import Brew
from sim_sensors.caring import Care, Routine
from sim_sensors.family.ranges import Range
from sim_sensors.faults import Fault
from sim_sensors.physics import school
from sim_sensors.physics.room import Room
from sim_sensors.physics.school import DAY_MS, HOUR_MS
from sim_sensors.probe_faults import ProbeFault
from sim_sensors.probe_setup import Probe
from sim_sensors.scenario import BinSetup, BrewerSetup, TraySetup

One = TypeVar("One")
STEP_MS = 300_000


@dataclass(frozen=True, slots=True)
class Draws:
    """One stream of chance."""

    random: random.Random

    def of(self, wanted: Range) -> float:
        return wanted.draw(self.random)

    def chance(self, share: float) -> bool:
        return self.random.random() < share

    def one(self, of: Sequence[One]) -> One:
        return self.random.choice(of)

    def ms(self, low_ms: float, high_ms: float) -> int:
        """A moment between these, on a step of the physics."""
        return int(self.random.uniform(low_ms, high_ms)) // STEP_MS * STEP_MS

    def times(self, mean: float, most: int) -> int:
        """How often something with this mean happens: Poisson's law, cut."""
        at, count = self.random.expovariate(1.0), 0
        while at < mean and count < most:
            at, count = at + self.random.expovariate(1.0), count + 1
        return count


@dataclass(slots=True)
class Lab:
    length_ms: int
    start_ms: int = 0
    every_ms: int = 60_000
    room: Room = field(default_factory=lambda: Room(20, 18, 45))
    between_w_k: float = 1.0
    bins: list[BinSetup] = field(default_factory=list)
    trays: list[TraySetup] = field(default_factory=list)
    brewers: list[BrewerSetup] = field(default_factory=list)
    brews: list[Brew] = field(default_factory=list)
    care: list[Care] = field(default_factory=list)
    routine: list[Routine] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    probes: list[Probe] = field(default_factory=list)
    probe_faults: list[ProbeFault] = field(default_factory=list)

    def of_bin(self, name: str) -> list[TraySetup]:
        return [one for one in self.trays if one.bin == name]

    def probes_at(self, place: str) -> list[Probe]:
        return [one for one in self.probes if one.place == place]

    def lesson_ms(self, day: int, hour: float) -> int | None:
        """An hour of a day since the start, by the lab's clock; None where there is no school then."""
        midnight_ms = day * DAY_MS - round(self.room.school.utc_offset_h * HOUR_MS)
        at_ms = int(midnight_ms + hour * HOUR_MS) // STEP_MS * STEP_MS
        open_then = at_ms >= 0 and school.in_lessons(self.room.school, self.start_ms + at_ms)
        return at_ms if open_then and at_ms < self.length_ms - DAY_MS else None

    @property
    def days(self) -> int:
        return self.length_ms // DAY_MS
