"""Amounts of water and dry bedding, against published and computed values."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from collector.husbandry.moisture import (
    dry_basis_pct,
    dry_bedding_to_add_kg,
    second_material_kg,
    water_change_l,
    water_to_add_l,
    wet_kg,
)

WET = st.floats(0.0, 99.0)


def dry_kg(whole_kg: float, wet_pct: float) -> float:
    return whole_kg * (100.0 - wet_pct) / 100.0


def test_the_oven_example() -> None:
    """Cornell Composting: tare 4 g, 10 g wet, 6.3 g dry with tare: 77 % wet basis, which is 334.78 % dry basis."""
    wet = 100.0 * (10.0 - (6.3 - 4.0)) / 10.0
    assert wet == pytest.approx(77.0)
    assert dry_basis_pct(wet) == pytest.approx(334.78, abs=0.005)


@pytest.mark.parametrize(
    ("wet", "dry"),
    [(40, 66.67), (50, 100), (60, 150), (70, 233.33), (75, 300), (80, 400), (85, 566.67), (90, 900), (0, 0)],
)
def test_wet_and_dry_basis(wet: float, dry: float) -> None:
    """Computed from the definitions (Cornell Composting; ASTM D2216, from memory)."""
    assert dry_basis_pct(wet) == pytest.approx(dry, abs=0.005)


@given(WET)
def test_there_and_back(wet: float) -> None:
    """Water by dry mass, said as a share of the whole again, is what it was."""
    dry = dry_basis_pct(wet)
    assert 100 * dry / (100 + dry) == pytest.approx(wet, abs=1e-9)


@pytest.mark.parametrize(
    ("whole_kg", "now", "goal", "litres"),
    [(10, 60, 75, 6.0), (5, 5.5, 75, 13.9), (1, 8, 80, 3.6), (2.5, 70, 80, 1.25), (10, 70, 70, 0.0)],
)
def test_water_to_add(whole_kg: float, now: float, goal: float, litres: float) -> None:
    """W (M2 - M1) / (100 - M2), computed; form of NRAES-54 from memory."""
    assert water_to_add_l(dry_kg(whole_kg, now), now, goal) == pytest.approx(litres)


def test_water_that_has_to_go_is_never_something_to_add() -> None:
    """10 kg at 77 % to 60 %: 4.25 kg too much."""
    assert water_change_l(dry_kg(10, 77), 77, 60) == pytest.approx(-4.25)
    assert water_to_add_l(dry_kg(10, 77), 77, 60) is None


def test_near_85_percent_a_point_costs_much() -> None:
    """One point from 85 to 86 % takes 7.1 % of the mass in water."""
    assert water_to_add_l(dry_kg(1, 85), 85, 86) == pytest.approx(0.0714, abs=5e-5)


@pytest.mark.parametrize(("now", "goal"), [(60, 100), (60, 120), (100, 120), (-1, 70), (float("nan"), 70)])
def test_no_moisture_that_bedding_can_have(now: float, goal: float) -> None:
    """All water is no bedding: no amount, rather than an endless one."""
    assert water_to_add_l(1.0, now, goal) is None


@pytest.mark.parametrize("wet", [-0.1, 100.0, 101.0, float("nan")])
def test_wet_basis_is_below_100(wet: float) -> None:
    """The error names the value and what would be right."""
    with pytest.raises(ValueError, match="from 0 % to less than 100 %"):
        dry_basis_pct(wet)


def test_the_mixing_example() -> None:
    """Cornell Composting: 10 kg of grass at 77 % and leaves at 35 % for a goal of 60 % take 6.8 kg of leaves."""
    leaves = second_material_kg(10, 77, 35, 60)
    assert leaves == pytest.approx(6.8)
    assert pytest.approx(60.0) == (10 * 77 + 6.8 * 35) / 16.8


@pytest.mark.parametrize(("first", "second", "goal"), [(77, 35, 80), (77, 35, 30), (60, 60, 60), (77, 60, 60)])
def test_a_goal_outside_the_two_cannot_be_mixed(first: float, second: float, goal: float) -> None:
    """No negative masses, no division by nothing."""
    assert second_material_kg(10, first, second, goal) is None


def test_dry_bedding_for_a_tray_that_is_too_wet() -> None:
    """1.25 kg of dry mass at 88 % weigh 10.42 kg; 0.406 kg of bedding at 8 % bring them to 85 %."""
    assert wet_kg(1.25, 88) == pytest.approx(10.4167, abs=1e-4)
    added = dry_bedding_to_add_kg(1.25, 88, 85, 8)
    assert added == pytest.approx(0.4058, abs=1e-4)
    assert added is not None
    assert (10.41667 * 88 + added * 8) / (10.41667 + added) == pytest.approx(85.0)


@pytest.mark.parametrize("now", [80, 85, 100, 130])
def test_no_dry_bedding_where_none_helps(now: float) -> None:
    """Dry enough already, or no moisture at all."""
    assert dry_bedding_to_add_kg(1.25, now, 85, 8) is None


@given(WET, WET, st.floats(0.1, 20.0))
def test_what_is_added_arrives(now: float, goal: float, mass_kg: float) -> None:
    """The mass after adding the water has the moisture that was wanted."""
    assume(now == goal or abs(now - goal) > 1e-6)
    litres = water_to_add_l(mass_kg, now, goal)
    assert (litres is None) == (goal < now)
    if litres is not None:
        after = wet_kg(mass_kg, now) + litres
        assert 100.0 * (after - mass_kg) / after == pytest.approx(goal, abs=1e-6)
