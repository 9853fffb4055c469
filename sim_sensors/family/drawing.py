"""World N of the family: one number gives one lab, what people do in it and what goes wrong.

Every part draws from a stream of its own, so that a new part changes no other. Worlds with an even number are for
tuning, those with an odd one only to report; the second bit says whether something goes wrong in it that does harm.
"""

import random
import re
from enum import Enum

from sim_sensors.family import beds, handling, instruments, troubles
from sim_sensors.family.parts import Draws, Lab
from sim_sensors.physics.school import DAY_MS, HOUR_MS
from sim_sensors.scenario import Scenario

NAME = re.compile(r"world-(\d{1,9})")
CALM_MS, ROUGH_MS = 30 * DAY_MS, 16 * DAY_MS
_STEP_MS = 300_000


class Sort(Enum):
    CALM = "calm"
    """Nothing that does harm: a month."""
    ROUGH = "rough"
    """Several things that do, in 16 days."""


def is_tuned(number: int) -> bool:
    """Whether rules may be tuned on this world."""
    return number % 2 == 0


def sort(number: int) -> Sort:
    return Sort.ROUGH if number // 2 % 2 else Sort.CALM


def named(name: str) -> Scenario | None:
    """The world of a name like 'world-17'; None where it is no such name."""
    found = NAME.fullmatch(name)
    return drawn(int(found[1])) if found else None


def drawn(number: int) -> Scenario:
    """The lab of this number, with nothing left to vary."""
    kind = sort(number)

    def stream(part: str) -> Draws:
        return Draws(random.Random(f"world {number} {part}"))  # noqa: S311 - reproducible chance

    lab = Lab(length_ms=ROUGH_MS if kind is Sort.ROUGH else CALM_MS)
    beds.furnish(lab, stream("lab"))
    beds.climate(lab, stream("room"), summer_too=kind is Sort.CALM)
    beds.tend(lab, stream("people"))
    instruments.fit(lab, stream("probes"))
    handling.lessons(lab, stream("lessons"))
    handling.harvests(lab, stream("harvests"))
    handling.window(lab, stream("window"))
    if kind is Sort.ROUGH:
        troubles.befall(lab, stream("troubles"))
    return Scenario(
        name=f"world-{number}",
        title=f"A lab drawn at random, number {number} ({kind.value})",
        length_ms=lab.length_ms,
        every_ms=lab.every_ms,
        step_ms=_STEP_MS,
        states_ms=HOUR_MS // 2,
        room=lab.room,
        room_start_c=None,
        between_trays_w_k=lab.between_w_k,
        doubling_d=75.0,
        bins=tuple(lab.bins),
        trays=tuple(lab.trays),
        brewers=tuple(lab.brewers),
        brews=tuple(lab.brews),
        care=tuple(lab.care),
        routine=tuple(lab.routine),
        faults=tuple(lab.faults),
        probes=tuple(lab.probes),
        probe_faults=tuple(lab.probe_faults),
        start_ms=lab.start_ms,
    )
