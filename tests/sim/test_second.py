"""The second author's equations against their published forms, and beside those of the first."""

import math

import pytest

from sim_sensors.physics import air, second, tray
from sim_sensors.physics.second import Equations
from sim_sensors.physics.tray import Around


def test_drying_is_that_of_pools() -> None:
    """ASHRAE's chapter on pools (after Carrier 1918) takes 0.089 + 0.0782 v: 1 kPa and still air give 0.089 kW/m2 of
    latent heat, and 1 m/s 0.167."""
    for speed, kw in ((0.0, 0.089), (1.0, 0.1672)):
        assert second.drying_kg_m2_s(1.0, speed, 2.45e6) * 2450 == pytest.approx(kw)


def test_wet_bedding_gives_up_water_like_water_and_dry_bedding_less() -> None:
    """Henderson's form: none where there is no water, nearly all of it at 83 % wet basis, and always more with more."""
    assert second.activity(0.0) == 0.0
    assert second.activity(0.83 / 0.17) > 0.98
    assert 0.7 < second.activity(0.6 / 0.4) < 0.8
    assert all(second.activity(w / 10) < second.activity((w + 1) / 10) for w in range(60))


def test_walls_pass_more_heat_when_the_difference_is_large() -> None:
    """As given at 5 K, half of it conduction: never less than that."""
    assert second.walls_w_k(0.8, 5) == pytest.approx(0.8)
    assert second.walls_w_k(0.8, 0) == pytest.approx(0.4)
    assert second.walls_w_k(0.8, -20) > 0.8


def test_rotting_goes_faster_when_warm_and_stops_when_hot_dry_or_frozen() -> None:
    """Haug's 1.066^(T-20) - 1.21^(T-60): 1 at 20 degC, nothing at frost or from 81 on, little in bedding of 30 % water;
    between, no faster than the air of a pocket allows."""
    wet = 0.15
    assert second.pace(20, wet) == pytest.approx(1.0, abs=0.01)
    assert 1.8 < second.pace(30, wet) / second.pace(20, wet) < 2.0
    assert max(second.pace(t, wet) for t in range(80)) == pytest.approx(second.FASTEST, rel=0.01)
    assert [second.pace(t, wet) for t in (-3, 0, 81)] == [0, 0, 0]
    assert second.pace(20, 0.7) < 0.2


def test_feed_opens_up_and_rots_away() -> None:
    """No more comes out than went in, none is left after long, and in two short steps as much as in one long one as far
    as the order of opening and rotting allows."""
    fresh, rotting = second.rotting(1.0, 0.0, 25, 0.15, 3600)
    assert fresh == pytest.approx(math.exp(-1 / 6))
    assert fresh + rotting < 1.0
    assert sum(second.rotting(1.0, 1.0, 25, 0.15, 90 * 86_400)) < 1e-6


def test_the_two_authors_dry_and_cool_a_tray_differently() -> None:
    """Neither is a scaled copy of the other: in moist air dry bedding loses less by the second than by the first, in
    proportion, than wet bedding does."""
    loss = {}
    around = Around(20, air.vapour_kpa(20, 55), 0.1, 0.0)
    for equations in Equations:
        spec = tray.Tray(0.165, 0.1, 0.8, equations=equations)
        wet, dry = (tray.dried(spec, tray.bedding(6, pct, 20), around, 300)[1].evaporated_kg for pct in (80, 52))
        loss[equations] = dry / wet
    assert loss[Equations.SECOND] < 0.8 * loss[Equations.FIRST]
