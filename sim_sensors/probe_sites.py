"""What the truth is where a probe sits: for a place and a quantity, how to find it in the world."""

from collections.abc import Callable

from sim_sensors import world
from sim_sensors.probe_setup import Spot
from sim_sensors.scenario import Scenario
from sim_sensors.world import World

Look = Callable[[World], float]


def looks(scenario: Scenario, place: str, spot: Spot) -> dict[str, Look]:
    """Every quantity of the lab at a place, by name; what belongs to the probe itself (its battery) is not here."""
    if spot is Spot.TRAY:
        n = next(n for n, tray in enumerate(scenario.trays) if tray.place == place)
        return {"temperature": lambda now: now.trays[n].temp_c, "moisture": lambda now: now.trays[n].moisture_pct}
    if spot is Spot.BREWER:
        n = next(n for n, brewer in enumerate(scenario.brewers) if brewer.place == place)
        return {
            "temperature": lambda now: now.brewers[n].temp_c,
            "oxygen": lambda now: now.brewers[n].oxygen_mg_l,
            "pump": lambda now: float(now.brewers[n].pump_on),
        }
    if spot is Spot.BIN:
        return {"leachate": lambda now: world.leachate_pct(scenario, now, place)}
    return {"air-temperature": lambda now: now.room_c, "humidity": world.humidity_pct}


def pocket(scenario: Scenario, place: str) -> Look:
    """Temperature of the pocket of fresh feed in a tray, degC; where there is none, that of the bedding."""
    n = next(n for n, tray in enumerate(scenario.trays) if tray.place == place)
    return lambda now: now.trays[n].pocket_c
