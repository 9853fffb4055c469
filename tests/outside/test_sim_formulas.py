"""The simulator's own formulas against reference libraries: psychrolib (ASHRAE) for moist air, gsw for oxygen."""

import gsw
import psychrolib
import pytest

from sim_sensors.physics import air, oxygen

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("temp_c", range(1, 51, 7))
def test_saturation_vapour_pressure(temp_c: int) -> None:
    """Within 0.2 % of Hyland and Wexler as psychrolib has it, from 1 to 50 degC."""
    assert air.saturation_kpa(temp_c) == pytest.approx(psychrolib.GetSatVapPres(temp_c) / 1000, rel=2e-3)


@pytest.mark.parametrize(("temp_c", "share"), [(15, 0.3), (20, 0.5), (25, 0.8), (30, 0.95)])
def test_vapour_and_humidity(temp_c: float, share: float) -> None:
    """Vapour pressure at a humidity within 0.2 %, and back to the humidity."""
    vapour = psychrolib.GetVapPresFromRelHum(temp_c, share) / 1000
    assert air.vapour_kpa(temp_c, 100 * share) == pytest.approx(vapour, rel=2e-3)
    assert air.humidity_pct(temp_c, vapour) == pytest.approx(100 * share, rel=2e-3)


@pytest.mark.parametrize("altitude_m", [0, 300, 1000, 2000, 3000])
def test_pressure(altitude_m: float) -> None:
    """The standard atmosphere, within 0.01 %."""
    theirs = psychrolib.GetStandardAtmPressure(altitude_m) / 101_325
    assert air.pressure_atm(altitude_m) == pytest.approx(theirs, rel=1e-4)


@pytest.mark.parametrize("temp_c", range(1, 41, 3))
def test_oxygen_saturation(temp_c: int) -> None:
    """Garcia and Gordon (1992) as gsw has it, per kg of water, in fresh water: within 0.003 mg/L."""
    density_kg_l = gsw.rho_t_exact(0.0, float(temp_c), 0.0) / 1000
    theirs = gsw.O2sol_SP_pt(0.0, float(temp_c)) * 31.9988 / 1000 * density_kg_l
    assert oxygen.saturation_mg_l(temp_c) == pytest.approx(theirs, abs=3e-3)
