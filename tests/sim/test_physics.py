"""The simulator's own formulas against published tables and worked examples."""

import math

import pytest

from sim_sensors.physics import air, brewer, oxygen, room, tray
from sim_sensors.physics.brewer import Brewer, Tea
from sim_sensors.physics.room import Room
from sim_sensors.physics.tray import Around, Tray


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
    assert used == pytest.approx(5.0, rel=1e-9)
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


def test_sealed_tray_keeps_the_heat_of_its_feed() -> None:
    """In a tray without losses, the heat of the feed raises the temperature by heat over capacity, all of it in the
    end."""
    bed = tray.bedding(6, 75, 20)
    spec = Tray(area_m2=0.165, lid=0.0, sides_w_k=0.0)
    for n in range(2880):
        power = tray.feed_power_w(0.2, n * 60 + 30, 3 * 3600)
        bed, _ = tray.step(spec, bed, Around(20, 1.2, 0.0, 0.0, power, 0.0), 60)
    assert bed.temp_c == pytest.approx(20 + 0.2 * tray.FEED_HEAT_J_KG / bed.capacity_j_k, rel=1e-3)


def test_feed_heat_rises_and_dies_away() -> None:
    """Nothing at first, most at the peak time, little in the end."""
    peak = 48 * 3600.0
    powers = [tray.feed_power_w(1, hour * 3600, peak) for hour in range(0, 480, 2)]
    assert powers[0] == 0
    assert powers.index(max(powers)) * 2 == 48
    assert powers[-1] < 0.01 * max(powers)


def test_open_tray_dries_as_the_formula_says_and_cools() -> None:
    """An open tray held at 20 degC in 50 %RH loses 0.165 m2 x 1.520 kg/m2 a day; left to itself it cools below the room
    but not below the wet-bulb temperature (13.78 degC at 20 degC, 50 %RH; computed with psychrolib 2.5)."""
    spec = Tray(area_m2=0.165, lid=0.08, sides_w_k=0.8)
    around = Around(20, air.vapour_kpa(20, 50), 1.0, 0.0, 0.0, 0.0)
    bed = tray.bedding(6, 75, 20)
    _, flows = tray.step(spec, bed, around, 60)
    assert flows.evaporated_kg * 1440 == pytest.approx(0.165 * 1.520, rel=1e-3)
    for _ in range(2880):
        bed, _ = tray.step(spec, bed, around, 60)
    assert 13.78 < bed.temp_c < 19


@pytest.mark.parametrize(("moisture", "share"), [(75, 1.0), (50, 1.0), (25, 0.5)])
def test_dry_bedding_gives_up_its_water_slowly(moisture: float, share: float) -> None:
    """Below half moisture the drying rate falls in proportion."""
    spec = Tray(area_m2=0.165, lid=1.0 - 1e-9, sides_w_k=0.8)
    around = Around(20, air.vapour_kpa(20, 50), spec.lid, 0.0, 0.0, 0.0)
    _, flows = tray.step(spec, tray.bedding(6, moisture, 20), around, 60)
    assert flows.evaporated_kg * 1440 == pytest.approx(share * 0.165 * 1.520, rel=1e-3)


def test_moisture_is_wet_basis() -> None:
    """10 g wet of which 2.3 g stay after the oven is 77 % (Cornell's example); 6 kg of water on 10 kg at 60 % makes
    75 %."""
    assert tray.Bedding(2.3, 7.7, 0).moisture_pct == pytest.approx(77)
    assert tray.poured(tray.bedding(10, 60, 20), 6.0, 20).moisture_pct == pytest.approx(75)


def test_adding_at_bed_temperature_changes_no_temperature() -> None:
    """Water and feed as warm as the bedding leave its temperature as it was."""
    bed = tray.bedding(6, 75, 22)
    assert tray.fed(tray.poured(bed, 1, 22), 1, 22).temp_c == pytest.approx(22)


MONDAY_MS = 1_772_409_600_000
"""2026-03-02T00:00Z, a Monday."""
HOUR_MS = 3_600_000


def test_room_follows_the_school_week() -> None:
    """School hours are Monday to Friday; nights and the weekend are set back."""
    spec = Room(day_c=21, night_c=17, humidity_pct=45)
    lessons = [room.in_lessons(spec, MONDAY_MS + hour * HOUR_MS) for hour in range(168)]
    assert sum(lessons) == 5 * 9
    assert lessons[7]
    assert not lessons[6]
    assert not lessons[16]
    assert not any(lessons[120:])


def test_room_rhythm_shifts_with_the_labs_clock() -> None:
    """Five hours west of Greenwich school opens at 12 UTC."""
    spec = Room(day_c=21, night_c=17, humidity_pct=45, utc_offset_h=-5)
    assert not room.in_lessons(spec, MONDAY_MS + 11 * HOUR_MS)
    assert room.in_lessons(spec, MONDAY_MS + 12 * HOUR_MS)


def test_room_warms_in_lessons_and_cools_on_sunday() -> None:
    """By Friday afternoon the room is near its day temperature, by Sunday night near the other."""
    spec = Room(day_c=21, night_c=17, humidity_pct=45, swing_c=0)
    assert room.settled_c(spec, MONDAY_MS + (4 * 24 + 16) * HOUR_MS) == pytest.approx(21, abs=0.1)
    assert room.settled_c(spec, MONDAY_MS + (6 * 24 + 23) * HOUR_MS) == pytest.approx(17, abs=0.01)
    assert math.isclose(room.target_c(spec, MONDAY_MS), 17)


def test_air_never_holds_more_than_it_can() -> None:
    """Relative humidity ends at 100 %."""
    assert air.humidity_pct(5, air.vapour_kpa(25, 80)) == 100
    assert air.humidity_pct(20, air.vapour_kpa(20, 45)) == pytest.approx(45)
