"""Harm: what the truth must not come to. Judged on the true state, never on what a probe says."""

from collections.abc import Iterator

from sim_sensors import probe_faults
from sim_sensors.scenario import Scenario
from sim_sensors.world import World

DRY_PCT = 60.0
WET_PCT = 90.0
"""Limits of moisture, % wet basis: Edwards, Earthworm Ecology (2004), table 18.3."""
COLD_C = 4.0
HOT_C = 30.0
"""Limits of bedding temperature, degC: the same table; all sources agree on 30 as the top of the safe band."""
OXYGEN_MG_L = 6.0
"""Floor of dissolved oxygen in a brew, mg/L: growers' practice."""

Harm = tuple[str, str]
"""(what, place)"""


def standing(scenario: Scenario, world: World) -> Iterator[Harm]:
    """Harms that stand at this moment."""
    for setup, bed in zip(scenario.trays, world.trays, strict=True):
        yield from ((what, setup.place) for what in _of_tray(bed.moisture_pct, bed.temp_c))
    for brew, tea in zip(scenario.brewers, world.brewers, strict=True):
        if tea.oxygen_mg_l < OXYGEN_MG_L:
            yield "oxygen-low", brew.place
    for fault in scenario.probe_faults:
        if probe_faults.blinds(fault, world.elapsed_ms):
            yield "unwatched", fault.place


def _of_tray(moisture_pct: float, temp_c: float) -> Iterator[str]:
    if moisture_pct < DRY_PCT:
        yield "bedding-dry"
    if moisture_pct > WET_PCT:
        yield "bedding-wet"
    if temp_c > HOT_C:
        yield "bedding-hot"
    if temp_c < COLD_C:
        yield "bedding-cold"
