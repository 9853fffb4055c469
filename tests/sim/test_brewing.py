"""Brews: food, breath and foam; when each begins, ends and is used."""

import pytest

from sim_sensors import brewing
from sim_sensors.brewing import Brew
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics import brewer
from sim_sensors.physics.brewer import Brewer, Phase, Tea

HOUR_MS = 3_600_000
SPEC = Brewer(volume_l=20, aeration_per_h=9, surface_per_h=0.05, uptake_mg_l_h=6)


def brewed(food_g_l: float, hours: float, room_c: float = 20, strength: float = 1.0) -> list[Tea]:
    """Every five minutes of a brew."""
    tea = brewer.begun(Tea(room_c, 8.5, False, Phase.WATER), Phase.BREWING, food_g_l)
    teas = [tea]
    for _ in range(round(hours * 12)):
        teas.append(brewer.step(SPEC, teas[-1], room_c, True, 300, strength)[0])
    return teas


def test_food_makes_the_uptake_rise_and_fall() -> None:
    """Oxygen is lowest some hours in, when all lives on the food, and lower the more there was; later it comes back."""
    plain, some, much = (brewed(food, 72) for food in (0.0, 1.0, 2.0))
    low = min(range(len(some)), key=lambda n: some[n].oxygen_mg_l)
    assert 4 * 12 < low < 20 * 12
    assert some[-1].oxygen_mg_l > some[low].oxygen_mg_l + 0.5
    assert min(t.oxygen_mg_l for t in much) < some[low].oxygen_mg_l < min(t.oxygen_mg_l for t in plain)


def test_warmth_quickens_the_uptake() -> None:
    """At 28 degC there is less oxygen than at 18, in water and for what lives in it."""
    assert min(t.oxygen_mg_l for t in brewed(1, 24, 28)) < min(t.oxygen_mg_l for t in brewed(1, 24, 18)) - 1


def test_oxygen_food_and_heat_balance() -> None:
    """Over two days with food: oxygen is what came in less what was used, food used is its share of that, and heat is
    what the room and breathing gave."""
    tea = brewer.begun(Tea(18, 8.5, False, Phase.WATER), Phase.BREWING, 3.0)
    came = used = food = joules = 0.0
    for n in range(48 * 12):
        tea, moved = brewer.step(SPEC, tea, 22, n < 300, 300)
        came, used, food = came + moved.in_mg_l, used + moved.used_mg_l, food + moved.food_g_l
        joules += moved.breath_j + moved.room_j
    assert tea.oxygen_mg_l == pytest.approx(8.5 + came - used, abs=1e-9)
    assert tea.food_g_l == pytest.approx(3.0 - food, rel=1e-12)
    assert food * 1000 * brewer.OXYGEN_PER_FOOD < used
    assert 20 * brewer.WATER_J_L_K * (tea.temp_c - 18) == pytest.approx(joules, rel=1e-9)


def test_breath_warms_the_brew() -> None:
    """12 mg/(L h) in 20 L at 14.1 J/mg is 0.94 W: with walls of 2 W/K some 0.5 degC over the room in the end."""
    spec = Brewer(volume_l=20, aeration_per_h=9, surface_per_h=0.05, uptake_mg_l_h=12)
    tea = Tea(20, 7.4, True)
    for _ in range(5 * 288):
        tea, _moved = brewer.step(spec, tea, 20, True, 300)
    assert tea.temp_c == pytest.approx(20 + 12 * 1.047**0.5 * 20 * 14.1 / 3600 / 2, abs=0.02)


def test_foam_comes_with_food_and_goes_without_air() -> None:
    """6 cm for 2 g/L within an hour or two; gone three hours after the pump stops; none without food."""
    foamy = brewed(2.0, 2)[-1]
    assert 5 < foamy.foam_cm < 6
    for _ in range(36):
        foamy, _moved = brewer.step(SPEC, foamy, 20, False, 300)
    assert foamy.foam_cm < 0.1
    assert brewed(0.0, 2)[-1].foam_cm == 0


def test_a_weak_pump_holds_less_oxygen() -> None:
    """With a third of its air the brew settles clearly lower than with all of it."""
    assert brewed(0, 12, strength=0.33)[-1].oxygen_mg_l < brewed(0, 12)[-1].oxygen_mg_l - 0.8


def test_clean_water_uses_no_oxygen() -> None:
    """Standing water goes to saturation (9.09 mg/L at 20 degC, printed tables) and stays there."""
    tea = Tea(20, 7.0, False, Phase.WATER)
    for _ in range(6 * 288):
        tea, moved = brewer.step(SPEC, tea, 20, False, 300)
    assert moved.used_mg_l == pytest.approx(0, abs=1e-12)
    assert tea.oxygen_mg_l == pytest.approx(9.09, abs=0.02)


def test_a_brew_under_a_closed_lid_lives_on_what_it_has() -> None:
    """Without any surface and with the pump off no oxygen comes in."""
    sealed = Brewer(volume_l=20, aeration_per_h=9, surface_per_h=0, uptake_mg_l_h=6)
    tea, moved = brewer.step(sealed, Tea(20, 8, True), 20, False, 1800)
    assert moved.in_mg_l == 0
    assert tea.oxygen_mg_l == pytest.approx(5)


def test_a_brew_has_its_times() -> None:
    """Water before, air for as long as planned, then held until used, then water; the next in its turn."""
    brews = [
        Brew(50 * HOUR_MS, "kettle", 24 * HOUR_MS, 0, 0.0),
        Brew(HOUR_MS, "kettle", 24 * HOUR_MS, 2 * HOUR_MS, 1.5),
    ]
    spans = brewing.spans(brews, [])
    at = [brewing.stage(spans, hour * HOUR_MS) for hour in (0, 1, 24, 25, 26, 27, 50, 74)]
    assert [phase for phase, _ in at] == [
        Phase.WATER, Phase.BREWING, Phase.BREWING, Phase.HELD, Phase.HELD, Phase.WATER, Phase.BREWING, Phase.WATER,
    ]  # fmt: skip
    assert at[1] == (Phase.BREWING, 1.5)
    assert brewing.stage((), 0) == (Phase.STEADY, 0.0)


def test_a_forgotten_brew_waits_until_somebody_thinks_of_it() -> None:
    """Its end, or its use, comes when the fault ends; other faults and other times leave it alone."""
    brew = [Brew(0, "kettle", 24 * HOUR_MS, 2 * HOUR_MS)]

    def with_fault(kind: Kind, begin_h: float, end_h: float) -> tuple[int, int]:
        fault = Fault(kind, "kettle", round(begin_h * HOUR_MS), round(end_h * HOUR_MS))
        (span,) = brewing.spans(brew, [fault])
        return span.end_ms // HOUR_MS, span.used_ms // HOUR_MS

    assert with_fault(Kind.BREW_FORGOTTEN, 20, 60) == (60, 62)
    assert with_fault(Kind.BREW_FORGOTTEN, 25, 60) == (24, 60)
    assert with_fault(Kind.BREW_FORGOTTEN, 5, 10) == (24, 26)
    assert with_fault(Kind.PUMP_STOP, 20, 60) == (24, 26)


def test_phases_begin_as_they_should() -> None:
    """Held tea keeps food and foam; the water after it has neither, and all its oxygen, while a lab that begins with
    water has what it says; a brew has its food and the pump on."""
    tea = Tea(20, 7, True, Phase.BREWING, 9e4, 0.4, 2.0)
    held = brewer.begun(tea, Phase.HELD, 0.0)
    assert (held.food_g_l, held.foam_cm, held.pump_on, held.phase_s) == (0.4, 2.0, False, 0)
    water = brewer.begun(held, Phase.WATER, 0.0)
    assert (water.food_g_l, water.foam_cm, water.pump_on) == (0, 0, False)
    assert water.oxygen_mg_l == pytest.approx(9.09, abs=0.01)  # printed tables
    assert brewer.begun(Tea(20, 7, True), Phase.WATER, 0.0).oxygen_mg_l == 7
    assert brewer.begun(water, Phase.BREWING, 1.0).pump_on
