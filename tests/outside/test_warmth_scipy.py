"""The thermal fit of a tray against scipy: its equation integrated by solve_ivp, its constants fitted by least_squares
to the same hourly means."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

from collector.husbandry.warmth import Fit, Warmer, course

Numbers = NDArray[np.float64]
HOURS = 14 * 24


def room(hour: Numbers) -> Numbers:
    """Warm by day, cool by night and at weekends."""
    found: Numbers = 19 + 2.5 * np.sin((hour % 24 - 9) * 2 * np.pi / 24) - 2.0 * (hour % 168 >= 120)
    return found


def played(tau_h: float, lift_c: float, seed: int, noise_c: float = 0.05) -> tuple[Numbers, Numbers]:
    """(bedding, room) as hourly means of ten-minute readings with the probe's noise."""
    fine = np.arange(0, HOURS, 1 / 6)
    solved = solve_ivp(
        lambda t, y: (room(np.array([t]))[0] + lift_c - y) / tau_h, (0, HOURS), [18.0], t_eval=fine, max_step=1.0
    )
    noise = np.random.default_rng(seed).normal(0, noise_c, fine.size)
    return (solved.y[0] + noise).reshape(-1, 6).mean(axis=1), room(fine).reshape(-1, 6).mean(axis=1)


@pytest.mark.parametrize("tau_h", [3.0, 12.0, 40.0])
@pytest.mark.parametrize("lift_c", [-1.0, 2.0])
def test_the_fit_is_that_of_least_squares(tau_h: float, lift_c: float) -> None:
    """Time constant within 10 % of what scipy finds for the same record by minimising what the whole course is off by,
    and the lift within a quarter of a degree."""
    bed, air = played(tau_h, lift_c, seed=1)
    fit = Warmer(bed, air).fit(HOURS)
    assert fit is not None

    def off(constants: Numbers) -> Numbers:
        tau, lift, start = constants
        found: Numbers = course(Fit(tau_h=tau, lift_c=lift, usual_lift_c=lift), start, 0.5 * (air[1:] + air[:-1])) - bed
        return found

    tau, lift, _ = least_squares(off, (10.0, 0.0, 18.0), loss="soft_l1").x
    assert fit.tau_h == pytest.approx(tau, rel=0.1)
    assert fit.lift_c == pytest.approx(lift, abs=0.25)


def test_the_closed_form_is_the_integrated_equation() -> None:
    """Hour by hour in a room that holds for each hour: within a thousandth of a degree of solve_ivp."""
    air = np.repeat([15.0, 22.0, 18.0, 25.0], 6)
    found = course(Fit(tau_h=7.0, lift_c=1.5, usual_lift_c=1.5), 17.0, air)
    expected, now = [17.0], 17.0
    for target in air:
        solved = solve_ivp(lambda _, y, to=target: (to + 1.5 - y) / 7.0, (0, 1), [now], rtol=1e-9, atol=1e-9)
        now = float(solved.y[0][-1])
        expected.append(now)
    assert found == pytest.approx(expected, abs=1e-3)
