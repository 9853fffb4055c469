"""Uptake and transfer against worked gassing-out runs: dC/dt = kLa (C* - C) - OUR, solved by hand and by scipy.

22 degC, C* = 8.7437 mg/L (Benson and Krause 1984). Air off 7.20 to 6.40 mg/L in four minutes: 12.00 mg/(L h). Air on at
6.40 with a slope of 0.150 mg/L a minute: kLa 8.960 /h, at rest 7.4044 mg/L; the recovery as computed from that.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from collector.brew.uptake import (
    Air,
    least_transfer_per_h,
    level_at_rest_mg_l,
    margin_min,
    transfer_per_h,
    uptake_mg_l_h,
)

SATURATION = 8.7437
RECOVERY_MIN = np.array([0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0])
RECOVERY = np.array([6.40, 6.6593, 6.9284, 7.1788, 7.2975, 7.3538, 7.3931])


def test_the_fall_gives_the_uptake() -> None:
    """12.00 mg/(L h)."""
    found = uptake_mg_l_h(np.array([0.0, 60, 120, 180, 240]), np.array([7.2, 7.0, 6.8, 6.6, 6.4]))
    assert found == pytest.approx(12.0, abs=0.005)


def test_the_first_minute_of_the_rise_gives_the_transfer() -> None:
    """(0.150 + 0.200) / (8.7437 - 6.40) a minute: 8.960 /h. A quarter of a second apart, so that the level hardly
    moved."""
    seconds = np.arange(0.0, 1.25, 0.25)
    found = transfer_per_h(seconds, 6.40 + 0.150 / 60 * seconds, SATURATION, 12.0)
    assert found == pytest.approx(8.960, abs=0.01)


def test_the_whole_recovery_gives_it_too() -> None:
    """From readings minutes apart, within 6 %: a line stands for a curve between them."""
    found = transfer_per_h(RECOVERY_MIN * 60, RECOVERY, SATURATION, 12.0)
    assert found == pytest.approx(8.960, rel=0.06)
    air = Air(uptake_mg_l_h=12.0, transfer_per_h=8.960)
    assert level_at_rest_mg_l(air, SATURATION) == pytest.approx(7.4044, abs=5e-4)


@pytest.mark.parametrize("seed", range(5))
def test_a_run_solved_by_scipy_with_a_probes_noise(seed: int) -> None:
    """A pause of ten minutes and the rise after it, a reading each half minute, noise of 0.01 mg/L: the uptake within
    5 %, the transfer within 10 %."""
    noise = np.random.default_rng(seed)
    seconds = np.arange(0.0, 600, 30)
    fall = 7.5 - 15.0 * seconds / 3600 + noise.normal(0, 0.01, seconds.size)
    rise = solve_ivp(lambda _, c: 9.0 * (SATURATION - c) - 15.0, (0, 600 / 3600), [5.0], t_eval=seconds / 3600)
    uptake = uptake_mg_l_h(seconds, fall)
    assert uptake is not None
    assert uptake == pytest.approx(15.0, rel=0.05)
    found = transfer_per_h(seconds, rise.y[0] + noise.normal(0, 0.01, seconds.size), SATURATION, uptake)
    assert found == pytest.approx(9.0, rel=0.1)


@pytest.mark.parametrize(
    ("uptake", "to_6", "to_2", "to_0", "least", "at_rest"),
    [
        (5, 24, 72, 96, 1.822, 8.244),
        (10, 12, 36, 48, 3.645, 7.744),
        (20, 6, 18, 24, 7.289, 6.744),
        (40, 3, 9, 12, 14.579, 4.744),
    ],
)
def test_margin_and_least_transfer(
    uptake: float, to_6: float, to_2: float, to_0: float, least: float, at_rest: float
) -> None:
    """Minutes from 8.0 mg/L to three floors, the kLa that holds 6 mg/L, and where kLa 10 comes to rest."""
    assert [margin_min(8.0, floor, uptake) for floor in (6.0, 2.0, 0.0)] == pytest.approx([to_6, to_2, to_0])
    assert least_transfer_per_h(uptake, SATURATION, 6.0) == pytest.approx(least, abs=1.5e-3)
    air = Air(uptake_mg_l_h=uptake, transfer_per_h=10.0)
    assert level_at_rest_mg_l(air, SATURATION) == pytest.approx(at_rest, abs=5e-4)
