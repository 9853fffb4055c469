"""Nothing comes from nowhere: water, dry matter, heat and worms over whole runs in which everything happens."""

from dataclasses import replace
from itertools import pairwise

import pytest

from sim_sensors import scenarios, world
from sim_sensors.physics import feed, tray
from sim_sensors.physics.second import Equations
from sim_sensors.scenario import Scenario
from sim_sensors.world import Moved, World
from tests.sim.eventful import DAY_MS, START_MS, eventful
from tests.sim.small import whole_dry_kg, whole_water_kg

Run = list[tuple[World, Moved]]
"""Each moment with what moved in the step after it; the last step moved what led to nowhere."""

pytestmark = pytest.mark.slow


def ran(scenario: Scenario, days: float) -> Run:
    plan, now = world.plan(scenario), world.begin(scenario, START_MS)
    steps: Run = []
    for _ in range(round(days * DAY_MS / scenario.step_ms) + 1):
        after, moved = world.step(plan, now)
        steps.append((now, moved))
        now = after
    return steps


@pytest.fixture(scope="module", params=[one.value for one in Equations])
def whole(request: pytest.FixtureRequest) -> Run:
    """30 days of it, by the equations of each author."""
    return ran(eventful(request.param), 30)


def test_water_balances(whole: Run) -> None:
    """Each tray's water, and that of its feed, is what it had, plus poured, fed, made and dripped in, less evaporated,
    dripped out and spilled, to 1e-9 of what went through it."""
    for n, bed in enumerate(whole[0][0].trays):
        water = through = whole_water_kg(bed)
        for _, moved in whole[:-1]:
            did = moved.trays[n]
            came = did.added.poured_kg + feed.WATER * did.added.fed_kg + did.rotted.made_kg + did.dripped.in_kg
            went = did.dried.evaporated_kg + did.dripped.out_kg + did.dripped.spilled_kg
            assert min(did.dried.evaporated_kg, did.dripped.out_kg, did.dripped.spilled_kg) >= 0
            water += came - went
            through += came
        assert whole_water_kg(whole[-1][0].trays[n]) == pytest.approx(water, abs=1e-9 * through)


def test_dry_matter_balances(whole: Run) -> None:
    """Each tray's dry matter is what it had, plus that of the feed, less what burnt, to 1e-9."""
    for n, bed in enumerate(whole[0][0].trays):
        dry = whole_dry_kg(bed)
        for _, moved in whole[:-1]:
            dry += (1 - feed.WATER) * moved.trays[n].added.fed_kg - moved.trays[n].rotted.burnt_kg
        assert whole_dry_kg(whole[-1][0].trays[n]) == pytest.approx(dry, rel=1e-9)


def test_heat_balances(whole: Run) -> None:
    """Each tray's heat is what it had, plus that of rotting, of room and sun, of its neighbours and of all that was
    added, less what evaporated or ran off took along, to 1e-9 of what went through it."""
    for n, bed in enumerate(whole[0][0].trays):
        heat = through = tray.whole_energy_j(bed)
        for _, moved in whole[:-1]:
            did = moved.trays[n]
            came = [
                did.added.brought_j,
                did.rotted.heat_j,
                did.rotted.kept_j,
                did.dried.room_j,
                did.dried.sun_j,
                did.neighbours_j,
            ]
            came += [did.dripped.in_j, -did.dried.evaporation_j, -did.dripped.out_j]
            heat += sum(came)
            through += sum(map(abs, came))
        assert tray.whole_energy_j(whole[-1][0].trays[n]) == pytest.approx(heat, abs=1e-9 * through)


def test_what_one_tray_gives_another_gets(whole: Run) -> None:
    """Heat between neighbours cancels out in every step; what drips from a tray is what drips into the next, and the
    sump gets what the lowest lets go, less what people empty."""
    sump = whole[0][0].sumps_kg[0]
    for now, moved in whole[:-1]:
        assert now.sumps_kg[0] == pytest.approx(sump, abs=1e-9)
        juniper = moved.trays[:3]
        assert sum(did.neighbours_j for did in juniper) == pytest.approx(0, abs=1e-6)
        assert [did.dripped.in_kg for did in juniper] == [0.0, *(did.dripped.out_kg for did in juniper[:2])]
        sump += juniper[2].dripped.out_kg - moved.emptied_kg[0]
        assert -1e-9 <= sump <= 1 + 1e-9


def test_worms_balance(whole: Run) -> None:
    """The worms of each tray are those it had, plus born, come and gone, less the dead, which are counted; none is lost
    in crawling, and where there are none there stay none."""
    for n, bed in enumerate(whole[0][0].trays):
        alive, dead = bed.worms_kg, 0.0
        for _, moved in whole[:-1]:
            did = moved.trays[n]
            alive += did.born_kg - did.died_kg + did.crawled_kg
            dead += did.died_kg
            assert sum(d.crawled_kg for d in moved.trays) == pytest.approx(0, abs=1e-12)
        last = whole[-1][0].trays[n]
        assert [last.worms_kg, last.dead_kg] == pytest.approx([alive, dead], abs=1e-9)
    assert whole[-1][0].trays[3].worms_kg == 0
    assert whole[-1][0].trays[0].dead_kg > 0


def test_everything_did_happen(whole: Run) -> None:
    """Each event leaves its mark: else the balances say nothing about it."""
    trays = [moved.trays for _, moved in whole]
    hours = [now.elapsed_ms / 3_600_000 for now, _ in whole]
    assert sum(did[0].dripped.spilled_kg + did[2].dripped.spilled_kg for did in trays) > 1
    assert any(moved.emptied_kg[0] > 0 for _, moved in whole)
    assert max(now.trays[3].pocket_c for now, _ in whole) > 35
    assert max(now.room_c for now, _ in whole) > 34
    assert min(now.trays[0].temp_c for now, _ in whole) < 4
    away = [did[1].added for did, hour in zip(trays, hours, strict=True) if 24 * 24 <= hour < 29 * 24]
    assert all(added.poured_kg == added.fed_kg == 0 for added in away)
    assert {now.brewers[0].phase.value for now, _ in whole} == {"water", "brewing", "held"}


def test_states_stay_possible(whole: Run) -> None:
    """No mass or share below nothing, water within the pores, temperatures between frost and fire."""
    scenario = eventful()
    for now, _ in whole:
        for setup, bed in zip(scenario.trays, now.trays, strict=True):
            assert min(bed.dry_kg, bed.water_kg, bed.pocket.mass_kg, bed.worms_kg) >= 0
            assert bed.water_kg <= setup.spec.full * bed.dry_kg + 1e-9
            assert -10 < bed.temp_c < 60
            assert -10 < bed.pocket_c < 70
        assert 0 <= now.brewers[0].oxygen_mg_l < 15
        assert 0 < world.humidity_pct(now) <= 100
    assert all(b.t_ms - a.t_ms == scenario.step_ms for (a, _), (b, _) in pairwise(whole))


@pytest.mark.slow
def test_shorter_steps_give_the_same_story() -> None:
    """The step is short enough: with a fifth of the 5 minutes no tray is further off, any hour of five days with
    drought and an overfeed in them, than 0.5 degC at the pocket and 0.3 in the bed, 0.2 % moisture or 2 % of
    the worms."""
    long = eventful()
    coarse, fine = ran(long, 5), ran(replace(long, step_ms=60_000), 5)
    for (a, _), (b, _) in zip(coarse[::12], fine[::60], strict=True):
        for one, other in zip(a.trays, b.trays, strict=True):
            assert one.temp_c == pytest.approx(other.temp_c, abs=0.3)
            assert one.pocket_c == pytest.approx(other.pocket_c, abs=0.5)
            assert one.moisture_pct == pytest.approx(other.moisture_pct, abs=0.2)
            assert one.worms_kg == pytest.approx(other.worms_kg, rel=0.02, abs=1e-4)


def test_half_the_step_gives_the_same_demo() -> None:
    """With half of its 30 s no tray of the demo ends further off than 0.05 degC or 0.01 % moisture."""
    demo = scenarios.load("school-demo")
    coarse, fine = ran(demo, 0.25)[-1][0], ran(replace(demo, step_ms=15_000), 0.25)[-1][0]
    assert [b.temp_c for b in coarse.trays] == pytest.approx([b.temp_c for b in fine.trays], abs=0.05)
    assert [b.moisture_pct for b in coarse.trays] == pytest.approx([b.moisture_pct for b in fine.trays], abs=0.01)


def test_people_and_faults_bring_just_what_the_scenario_says() -> None:
    """The demo's 1.2 L of water and 1 kg of feed arrive once, whole, where they belong."""
    demo = scenarios.load("school-demo")
    steps = ran(demo, 0.5)
    places = [t.place for t in demo.trays]
    poured = {place: sum(moved.trays[n].added.poured_kg for _, moved in steps) for n, place in enumerate(places)}
    fed = {place: sum(moved.trays[n].added.fed_kg for _, moved in steps) for n, place in enumerate(places)}
    assert poured == pytest.approx({p: 1.2 * (p == "juniper/top") for p in places})
    assert fed == pytest.approx({p: 1.0 * (p == "maple/middle") for p in places})


def test_heat_goes_from_warm_trays_to_cool_ones_in_one_bin_only() -> None:
    """A hot tray warms the trays above and below it, and no tray of another bin."""
    demo = replace(scenarios.load("school-demo"), faults=())
    hot = replace(demo.trays[1], start=replace(demo.trays[1].start, energy_j=demo.trays[1].start.energy_j * 2))
    before, after = (
        [b.temp_c for b in ran(replace(demo, trays=trays), 60_000 / DAY_MS)[-1][0].trays]
        for trays in (demo.trays, (demo.trays[0], hot, *demo.trays[2:]))
    )
    gained = [b - a for a, b in zip(before, after, strict=True)]
    assert gained[0] > 0
    assert gained[2] > 0
    assert gained[3:] == [0, 0, 0]
