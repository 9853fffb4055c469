"""The simulator's own formulas against published tables and worked examples."""

import pytest

from sim_sensors.physics import air, brewer, oxygen, tray
from sim_sensors.physics.brewer import Brewer, Tea


@pytest.mark.parametrize(
    ("temp_c", "kpa", "off"),
    [
        # Tetens with the constants of FAO-56 eq. 11, to the four places computed from that form.
        (0, 0.6108, 5e-5),
        (5, 0.8723, 5e-5),
        (10, 1.2280, 5e-5),
        (20, 2.3383, 5e-5),
        (40, 7.3756, 5e-5),
        (15, 1.705, 5e-4),  # printed by an extension page on the FAO form
        (24.5, 3.075, 5e-4),  # the same
        (25, 3.168, 5e-4),  # FAO-56 table 2.3, from memory
        (30, 4.243, 5e-4),  # FAO-56 table 2.3, from memory
    ],
)
def test_vapour_pressure_agrees_with_printed_tables(temp_c: float, kpa: float, off: float) -> None:
    """Saturation vapour pressure is that of the published tables to their last digit."""
    assert air.saturation_kpa(temp_c) == pytest.approx(kpa, abs=off)


@pytest.mark.parametrize(("temp_c", "kpa"), [(5, 0.8725), (20, 2.3388), (30, 4.2460), (40, 7.3835)])
def test_vapour_pressure_agrees_with_another_formula(temp_c: float, kpa: float) -> None:
    """Within the 0.2 % the docstring promises of Hyland and Wexler, computed with psychrolib 2.5."""
    assert air.saturation_kpa(temp_c) == pytest.approx(kpa, rel=2e-3)


@pytest.mark.parametrize(
    ("temp_c", "humidity", "deficit"), [(20, 50, 1.1691), (22, 40, 1.5864), (25, 80, 0.6336), (18, 95, 0.1032)]
)
def test_deficit_over_a_wet_surface(temp_c: float, humidity: float, deficit: float) -> None:
    """The drying deficit with surface and air at one temperature is e(T) (1 - RH), computed from FAO-56 eq. 11."""
    assert air.deficit_kpa(temp_c, air.vapour_kpa(temp_c, humidity)) == pytest.approx(deficit, abs=5e-5)


@pytest.mark.parametrize(("speed", "mm_per_day"), [(0.0, 1.520), (0.2, 1.847)])
def test_open_drying_is_penmans(speed: float, mm_per_day: float) -> None:
    """At 20 degC and 50 %RH an open surface loses what Penman (1963) gives."""
    got = air.open_drying_kg_m2_s(air.deficit_kpa(20, air.vapour_kpa(20, 50)), speed) * 86_400
    assert got == pytest.approx(mm_per_day, abs=6e-4)


def test_no_drying_into_air_wetter_than_the_surface() -> None:
    """Air that holds more vapour than the surface gives off takes nothing from it."""
    assert air.deficit_kpa(10, air.vapour_kpa(25, 80)) == 0


def test_heat_of_evaporation() -> None:
    """2.4538 MJ/kg at 20 degC (from memory)."""
    assert air.evaporation_heat_j_kg(20) == pytest.approx(2.4538e6, rel=1e-4)


@pytest.mark.parametrize(
    ("temp_c", "mg_l"),
    [  # ISO 5814 / EN 25814 tables as printed
        (0, 14.62), (5, 12.77), (10, 11.29), (15, 10.08), (20, 9.09), (25, 8.26), (30, 7.56), (40, 6.41),
    ],
)  # fmt: skip
def test_oxygen_saturation_agrees_with_printed_tables(temp_c: float, mg_l: float) -> None:
    """Oxygen saturation at one atmosphere is the printed one to its last digit."""
    assert oxygen.saturation_mg_l(temp_c) == pytest.approx(mg_l, abs=6e-3)


@pytest.mark.parametrize(
    ("kpa", "temp_c", "mg_l"),
    [  # computed from Benson and Krause (1984), checked with gsw 3.6
        (95, 15, 9.444), (95, 25, 7.731), (90, 20, 8.053), (83.428, 25, 6.758), (79.495, 30, 5.860),
        (97.773, 0, 14.106),
    ],
)  # fmt: skip
def test_oxygen_saturation_at_altitude(kpa: float, temp_c: float, mg_l: float) -> None:
    """Thinner air leaves less oxygen in the water, by Benson and Krause's pressure term."""
    assert oxygen.saturation_mg_l(temp_c, kpa / 101.325) == pytest.approx(mg_l, abs=6e-4)


@pytest.mark.parametrize(("altitude_m", "kpa"), [(0, 101.325), (300, 97.773), (1000, 89.875), (2000, 79.495)])
def test_pressure_falls_with_altitude(altitude_m: float, kpa: float) -> None:
    """The standard atmosphere (from memory)."""
    assert air.pressure_atm(altitude_m) * 101.325 == pytest.approx(kpa, abs=6e-4)


@pytest.mark.parametrize(
    ("minutes", "mg_l"), [(2, 6.6593), (5, 6.9284), (10, 7.1788), (15, 7.2975), (20, 7.3538), (30, 7.3931)]
)
def test_oxygen_recovers_when_air_comes_back(minutes: float, mg_l: float) -> None:
    """Worked example at 22 degC: from 6.40 mg/L with kLa 8.960 /h and an uptake of 12 mg/L/h."""
    assert oxygen.after(6.40, 8.7437, 0.14934 * 60, 12.0, minutes / 60) == pytest.approx(mg_l, abs=1.5e-4)


@pytest.mark.parametrize(
    ("uptake", "to_six_min", "level_at_ten"), [(5, 24, 8.244), (10, 12, 7.744), (20, 6, 6.744), (40, 3, 4.744)]
)
def test_oxygen_without_air_and_in_the_long_run(uptake: float, to_six_min: float, level_at_ten: float) -> None:
    """Without air 8 mg/L falls to 6 in the tabled time; with kLa 10 /h it settles at C* - uptake/kLa (22 degC)."""
    assert oxygen.after(8.0, 8.7437, 0.0, uptake, to_six_min / 60) == pytest.approx(6.0)
    assert oxygen.after(8.0, 8.7437, 10.0, uptake, 100) == pytest.approx(level_at_ten, abs=5e-4)


def test_transfer_and_uptake_quicken_with_warmth() -> None:
    """kLa20 of 10 /h is 11.259 at 25 degC and 7.889 at 10 degC (ASCE/EWRI form, from memory); uptake rises faster."""
    assert oxygen.transfer_per_h(10, 25) == pytest.approx(11.259, abs=5e-4)
    assert oxygen.transfer_per_h(10, 10) == pytest.approx(7.889, abs=5e-4)
    assert oxygen.uptake_mg_l_h(10, 25) > oxygen.transfer_per_h(10, 25)


@pytest.mark.parametrize("pump_on", [True, False])
def test_brewer_oxygen_balance(pump_on: bool) -> None:
    """Over an hour of small steps, oxygen gained is what came in less what was used, and what was used is uptake times
    time for as long as there is oxygen."""
    spec = Brewer(volume_l=20, aeration_per_h=9, surface_per_h=0.05, uptake_mg_l_h=5)
    tea, came_in, used = Tea(20, 8.0, True), 0.0, 0.0
    for _ in range(120):
        tea, moved = brewer.step(spec, tea, 20, pump_on, 30)
        came_in, used = came_in + moved.in_mg_l, used + moved.used_mg_l
    assert tea.oxygen_mg_l == pytest.approx(8.0 + came_in - used, abs=1e-9)
    at_20 = oxygen.uptake_mg_l_h(5.0, 20.0)
    assert used == pytest.approx(at_20, rel=3e-3)  # its own breath warms it a little
    assert tea.pump_on is pump_on


def test_brewer_against_small_euler_steps() -> None:
    """The closed form is what the differential equation gives when followed in steps of a tenth of a second."""
    spec = Brewer(volume_l=20, aeration_per_h=9, surface_per_h=0.05, uptake_mg_l_h=12)
    level, rate = 5.0, oxygen.transfer_per_h(9, 22) / 36_000
    for _ in range(3_000):
        level += rate * (oxygen.saturation_mg_l(22) - level) - oxygen.uptake_mg_l_h(12, 22) / 36_000
    tea = Tea(22, 5.0, True)
    for _ in range(10):
        tea, _moved = brewer.step(spec, tea, 22, True, 30)
    assert tea.oxygen_mg_l == pytest.approx(level, abs=5e-4)  # Euler's own error at this step


def test_brewer_runs_out_of_oxygen_and_no_further() -> None:
    """A brew whose pump stays off ends without oxygen, never below, and uses no more than it has."""
    spec = Brewer(volume_l=20, aeration_per_h=9, surface_per_h=0.05, uptake_mg_l_h=12)
    tea, came_in, used = Tea(20, 7.4, True), 0.0, 0.0
    for _ in range(240):
        tea, moved = brewer.step(spec, tea, 20, False, 30)
        came_in, used = came_in + moved.in_mg_l, used + moved.used_mg_l
    assert tea.oxygen_mg_l == 0
    assert used == pytest.approx(7.4 + came_in)
    assert came_in <= 0.05 * oxygen.saturation_mg_l(20) * 2 + 1e-9


def test_moisture_is_wet_basis() -> None:
    """10 g wet of which 2.3 g stay after the oven is 77 % (Cornell's example); 6 kg of water on 10 kg at 60 % makes
    75 %."""
    assert tray.Bedding(2.3, 7.7, 0).moisture_pct == pytest.approx(77)
    assert tray.poured(tray.bedding(10, 60, 20), 6.0, 20).moisture_pct == pytest.approx(75)
