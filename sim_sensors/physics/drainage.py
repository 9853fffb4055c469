"""Water that a bin cannot hold: it drips from tray to tray and into the sump, or over the rim."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sim_sensors.physics.feed import WATER_J_KG_K
from sim_sensors.physics.tray import Bedding, Tray

DRIP_S = 3_600.0
"""Time in which 63 % of what bedding cannot hold drips out (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Dripped:
    """Water and its heat that came into a tray from above, that left it downwards, and that ran over onto the floor."""

    in_kg: float = 0.0
    in_j: float = 0.0
    out_kg: float = 0.0
    spilled_kg: float = 0.0
    out_j: float = 0.0
    """Heat of what left and what spilled."""


def drained(
    specs: Sequence[Tray], beds: Sequence[Bedding], sump_room_kg: float, seconds: float
) -> tuple[list[Bedding], list[Dripped]]:
    """The trays of a bin, from the top down. The lowest lets out only what the sump has room for (0: a blocked drain);
    what no tray can hold any more runs over the rim."""
    after, moved = [], []
    came_kg, came_j = 0.0, 0.0
    for n, (spec, bed) in enumerate(zip(specs, beds, strict=True)):
        room_kg = sump_room_kg if n == len(beds) - 1 else math.inf
        bed = _with(bed, came_kg, came_j)
        out_kg = min(room_kg, _loose_kg(spec, bed, seconds))
        spilled_kg = max(0.0, bed.water_kg - out_kg - spec.full * bed.dry_kg)
        out_j = (out_kg + spilled_kg) * WATER_J_KG_K * bed.temp_c
        moved.append(Dripped(came_kg, came_j, out_kg, spilled_kg, out_j))
        after.append(_with(bed, -out_kg - spilled_kg, -out_j))
        came_kg, came_j = out_kg, out_kg * WATER_J_KG_K * bed.temp_c
    return after, moved


def _with(bed: Bedding, water_kg: float, heat_j: float) -> Bedding:
    if water_kg == 0:
        return bed
    return Bedding(bed.dry_kg, bed.water_kg + water_kg, bed.energy_j + heat_j, bed.pocket, bed.worms_kg, bed.dead_kg)


def _loose_kg(spec: Tray, bed: Bedding, seconds: float) -> float:
    """What leaves a tray that can drain: some of what it cannot hold, and at once what finds no pore."""
    too_much = bed.water_kg - spec.holds * bed.dry_kg
    if too_much <= 0:
        return 0.0
    return max(too_much * -math.expm1(-seconds / DRIP_S), bed.water_kg - spec.full * bed.dry_kg)
