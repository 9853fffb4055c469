"""The truth of the lab as facts: the state of every place, and what people did."""

from collections.abc import Iterator

from sim_sensors import world
from sim_sensors.pack import Fact
from sim_sensors.physics import tray, worms
from sim_sensors.physics.brewer import Tea
from sim_sensors.physics.tray import Bedding
from sim_sensors.scenario import Scenario, TraySetup
from sim_sensors.world import Moved, World


def states(scenario: Scenario, now: World) -> Iterator[Fact]:
    """One fact for each tray, bin and brewer and for the room."""
    for setup, bed in zip(scenario.trays, now.trays, strict=True):
        yield Fact(now.t_ms, "state", "tray", setup.place, "now", _tray(setup, bed))
    for one, kg in zip(scenario.bins, now.sumps_kg, strict=True):
        level = {"leachate_pct": round(100 * kg / one.sump_kg, 2), "leachate_kg": round(kg, 4)}
        yield Fact(now.t_ms, "state", "bin", one.name, "now", dict(level))
    air = {"temperature_c": round(now.room_c, 3), "humidity_pct": round(world.humidity_pct(now), 2)}
    yield Fact(now.t_ms, "state", "room", "room", "now", dict(air))
    for brew, tea in zip(scenario.brewers, now.brewers, strict=True):
        yield Fact(now.t_ms, "state", "brewer", brew.place, "now", _tea(tea))


def done(scenario: Scenario, now: World, moved: Moved) -> Iterator[Fact]:
    """What people, or faults that people make, put into trays and took from sumps in the step that began `now`."""
    for setup, did in zip(scenario.trays, moved.trays, strict=True):
        if did.added.poured_kg > 0:
            yield Fact(now.t_ms, "care", "water", setup.place, "now", {"kg": round(did.added.poured_kg, 4)})
        if did.added.fed_kg > 0:
            yield Fact(now.t_ms, "care", "feed", setup.place, "now", {"kg": round(did.added.fed_kg, 4)})
    for one, kg in zip(scenario.bins, moved.emptied_kg, strict=True):
        if kg > 0:
            yield Fact(now.t_ms, "care", "empty", one.name, "now", {"kg": round(kg, 4)})


def _tray(setup: TraySetup, bed: Bedding) -> dict[str, object]:
    """Moisture, water and dry matter are those of the bedding around the pocket of feed."""
    living = tray.living(setup.spec, bed)
    pocket = {"pocket_c": round(bed.pocket_c, 3)} if bed.pocket.mass_kg > 0 else {}
    return {
        "temperature_c": round(bed.temp_c, 3),
        **pocket,
        "moisture_pct": round(bed.moisture_pct, 3),
        "water_kg": round(bed.water_kg, 4),
        "dry_kg": round(bed.dry_kg, 4),
        "air_share": round(living.air_share, 4),
        "feed_kg": round(bed.pocket.mass_kg, 4),
        "worms_kg": round(bed.worms_kg, 5),
        "dead_kg": round(bed.dead_kg, 5),
        "suits": round(worms.suits(living), 3),
    }


def _tea(tea: Tea) -> dict[str, object]:
    return {
        "temperature_c": round(tea.temp_c, 3),
        "oxygen_mg_l": round(tea.oxygen_mg_l, 3),
        "pump_on": tea.pump_on,
        "stage": tea.phase.value,
        "stage_h": round(tea.phase_s / 3600, 3),
        "food_g_l": round(tea.food_g_l, 4),
        "foam_cm": round(tea.foam_cm, 2),
    }
