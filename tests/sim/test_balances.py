"""Nothing comes from nowhere: water, dry matter and heat over whole runs."""

from dataclasses import replace

import pytest

from sim_sensors import scenarios, world
from sim_sensors.physics.tray import FEED_WATER
from sim_sensors.scenario import Scenario

START_MS = 1_772_438_400_000


@pytest.mark.parametrize("name", ["quiet", "school-demo"])
def test_water_and_dry_matter_balance(name: str) -> None:
    """Over twelve hours each tray's water is what it had, plus what was poured and fed, less what evaporated; its dry
    matter changes by the feed alone."""
    scenario = scenarios.load(name)
    plan, now = world.plan(scenario), world.begin(scenario, START_MS)
    water = [t.start.water_kg for t in scenario.trays]
    dry = [t.start.dry_kg for t in scenario.trays]
    for _ in range(12 * 120):
        now, moved = world.step(plan, now)
        for n, flows in enumerate(moved.flows):
            assert flows.evaporated_kg >= 0
            water[n] += moved.poured_kg[n] + FEED_WATER * moved.fed_kg[n] - flows.evaporated_kg
            dry[n] += (1 - FEED_WATER) * moved.fed_kg[n]
    assert [b.water_kg for b in now.trays] == pytest.approx(water, abs=1e-9)
    assert [b.dry_kg for b in now.trays] == pytest.approx(dry, abs=1e-9)


def test_people_and_faults_bring_just_what_the_scenario_says() -> None:
    """The demo's 1.1 L of water and 1.2 kg of feed arrive once, whole, where they belong."""
    scenario = scenarios.load("school-demo")
    plan, now = world.plan(scenario), world.begin(scenario, START_MS)
    poured, fed = [0.0] * 6, [0.0] * 6
    for _ in range(12 * 120):
        now, moved = world.step(plan, now)
        poured = [a + b for a, b in zip(poured, moved.poured_kg, strict=True)]
        fed = [a + b for a, b in zip(fed, moved.fed_kg, strict=True)]
    places = [t.place for t in scenario.trays]
    assert dict(zip(places, poured, strict=True)) == pytest.approx({p: 1.1 * (p == "juniper/top") for p in places})
    assert dict(zip(places, fed, strict=True)) == pytest.approx({p: 1.2 * (p == "maple/middle") for p in places})


@pytest.mark.parametrize("name", ["quiet", "school-demo"])
def test_heat_balance(name: str) -> None:
    """The heat of all trays together changes by feed, room, what was added and what evaporated; what trays pass each
    other cancels out in every step."""
    scenario = scenarios.load(name)
    plan, now = world.plan(scenario), world.begin(scenario, START_MS)
    heat = sum(t.start.energy_j for t in scenario.trays)
    for _ in range(12 * 120):
        now, moved = world.step(plan, now)
        assert sum(f.neighbours_j for f in moved.flows) == pytest.approx(0, abs=1e-6)
        heat += sum(f.feed_j + f.room_j - f.evaporation_j for f in moved.flows) + sum(moved.brought_j)
    assert sum(b.energy_j for b in now.trays) == pytest.approx(heat, rel=1e-12)


def test_half_the_step_gives_the_same_story() -> None:
    """The step is short enough: with half of it no tray ends further off than 0.05 degC or 0.01 % moisture."""
    scenario = scenarios.load("school-demo")
    plan = world.plan(scenario)
    coarse = fine = world.begin(scenario, START_MS)
    for _ in range(6 * 120):
        coarse, _moved = world.step(plan, coarse)
    for _ in range(2 * 6 * 120):
        fine, _moved = world.step(plan, fine, world.STEP_MS // 2)
    assert [b.temp_c for b in coarse.trays] == pytest.approx([b.temp_c for b in fine.trays], abs=0.05)
    assert [b.moisture_pct for b in coarse.trays] == pytest.approx([b.moisture_pct for b in fine.trays], abs=0.01)


def test_heat_goes_from_warm_trays_to_cool_ones_in_one_bin_only() -> None:
    """A hot tray warms the trays above and below it, and no tray of another bin."""
    demo = scenarios.load("school-demo")
    hot = replace(demo.trays[1], start=replace(demo.trays[1].start, energy_j=demo.trays[1].start.energy_j * 2))
    trays = (demo.trays[0], hot, *demo.trays[2:])
    after = {
        n: _stepped(replace(demo, trays=chosen, faults=()))
        for n, chosen in enumerate((demo.trays, trays))
    }  # fmt: skip
    gained = [b - a for a, b in zip(after[0], after[1], strict=True)]
    assert gained[0] > 0
    assert gained[2] > 0
    assert gained[3:] == [0, 0, 0]


def _stepped(scenario: Scenario) -> list[float]:
    now, _ = world.step(world.plan(scenario), world.begin(scenario, START_MS))
    return [b.temp_c for b in now.trays]
