"""Worms: growth by doubling time, hunger, flight, death outside their range."""

from dataclasses import replace

import pytest

from sim_sensors.physics import worms
from sim_sensors.physics.worms import Living

GOOD = Living(20, 78, 0.5)
DAY_S = 86_400


def kept(kg: float, days: int, area_m2: float, doubling_d: float, suit: float = 1.0, food_kg: float = 1e3) -> float:
    for _ in range(days):
        kg = worms.grown(kg, area_m2, suit, food_kg, doubling_d, DAY_S)
    return kg


@pytest.mark.parametrize(("doubling_d", "days", "times"), [(60, 180, 8), (60, 360, 64), (90, 180, 4), (90, 360, 16)])
def test_growth_by_doubling_time(doubling_d: float, days: int, times: float) -> None:
    """N 2^(t/Td), and 10 kg become 640 in a year at 60 d as the vermiculture manuals print, where there is room."""
    assert kept(10, days, 1e3, doubling_d) == pytest.approx(10 * times, rel=1e-9)


def test_growth_ends_at_the_density_a_tray_carries() -> None:
    """In four years a tray comes to 10 kg/m2 and not over."""
    assert kept(0.4, 4 * 365, 0.165, 60) == pytest.approx(1.65, rel=1e-3)
    assert kept(0.4, 4 * 365, 0.165, 60) <= 1.65


def test_growth_needs_food_and_a_tray_that_suits() -> None:
    """None without food or in a tray that does not suit; slower with half of what hunger asks."""
    assert kept(0.4, 60, 1e3, 60, food_kg=0) == 0.4
    assert kept(0.4, 60, 1e3, 60, suit=0) == 0.4
    assert 0.4 < kept(0.4, 60, 1e3, 60, food_kg=0.05) < 0.8
    assert worms.grown(0, 1, 1, 1, 60, DAY_S) == 0


@pytest.mark.parametrize(
    ("place", "suit"),
    [
        (GOOD, 1), (replace(GOOD, temp_c=4), 0), (replace(GOOD, temp_c=30), 0), (replace(GOOD, temp_c=27.5), 0.5),
        (replace(GOOD, moisture_pct=60), 0), (replace(GOOD, moisture_pct=65), 0.5), (replace(GOOD, moisture_pct=91), 0),
        (replace(GOOD, air_share=0.05), 0.5),
    ],
)  # fmt: skip
def test_what_suits_them(place: Living, suit: float) -> None:
    """Full at 15-25 degC and 70-88 %; nothing at the ends of Edwards (2004) table 18.3: 4-30 degC, 60-90 %."""
    assert worms.suits(place) == pytest.approx(suit)


@pytest.mark.parametrize(
    ("place", "per_day"),
    [
        (GOOD, 0), (replace(GOOD, temp_c=30), 0), (replace(GOOD, temp_c=35), 0.5), (replace(GOOD, temp_c=4), 0),
        (replace(GOOD, moisture_pct=60), 0), (replace(GOOD, moisture_pct=50), 0.1), (replace(GOOD, air_share=0), 0.5),
    ],
)  # fmt: skip
def test_none_die_inside_their_range_and_many_outside(place: Living, per_day: float) -> None:
    """Nobody dies up to the ends of the range; at 35 degC half the worms a day."""
    assert worms.dying_per_day(place) == pytest.approx(per_day)


def test_frost_and_great_heat_kill_within_hours() -> None:
    """The species does not tolerate freezing; over 37 degC the same."""
    for place in (replace(GOOD, temp_c=-0.5), replace(GOOD, temp_c=40)):
        assert worms.dead(1, worms.dying_per_day(place), 6 * 3600) > 0.5


def test_hunger_is_half_their_mass_a_day() -> None:
    """1 lb of worms eats 3.5 lb a week (feeding guides); where it does not suit them they eat less."""
    assert worms.hunger_kg(0.4536, 1, DAY_S) * 7 == pytest.approx(3.5 * 0.4536)
    assert worms.hunger_kg(0.4536, 0.5, DAY_S) * 7 == pytest.approx(3.5 * 0.4536 / 2)


def test_they_leave_for_the_better_tray_only() -> None:
    """Most have gone within half a day from one that does not suit at all; none goes the other way."""
    assert worms.leaving(1, 0, 1, DAY_S / 2) == pytest.approx(0.865, abs=1e-3)
    assert worms.leaving(1, 1, 0, DAY_S) == 0
