"""Moist air and drying."""

import math

HPA_PER_KPA = 10.0


def saturation_kpa(temp_c: float) -> float:
    """Saturation vapour pressure over water, kPa. Tetens' equation as in FAO-56 eq. 11; used here for 0-50 degC,
    where it agrees within 0.2 % with Hyland and Wexler (the form ASHRAE uses)."""
    return 0.6108 * math.exp(17.27 * temp_c / (temp_c + 237.3))


def vapour_kpa(temp_c: float, humidity_pct: float) -> float:
    """Vapour pressure of air at a relative humidity, kPa (definition of relative humidity)."""
    return saturation_kpa(temp_c) * humidity_pct / 100


def humidity_pct(temp_c: float, vapour: float) -> float:
    """Relative humidity of air holding `vapour` kPa, %; at most 100 (the rest would be dew)."""
    return min(100.0, 100 * vapour / saturation_kpa(temp_c))


def deficit_kpa(surface_c: float, vapour: float) -> float:
    """Vapour pressure deficit between a wet surface and the air over it, kPa. Never negative: dew falling on the
    bedding is left out."""
    return max(0.0, saturation_kpa(surface_c) - vapour)


def open_drying_kg_m2_s(deficit: float, speed_m_s: float) -> float:
    """Evaporation of a small open water surface, kg/(m2 s): Penman (1963), (0.13 + 0.14 v) mm/day per hPa.

    `deficit` in kPa, `speed_m_s` air speed over the surface. 1 mm is 1 kg/m2. Published still-air forms spread 2.4
    times, so this is a driver whose size the lid factor sets, not a prediction for a given tray.
    """
    return (0.13 + 0.14 * speed_m_s) * deficit * HPA_PER_KPA / 86_400


def evaporation_heat_j_kg(temp_c: float) -> float:
    """Latent heat of evaporation, J/kg: 2.501 - 0.002361 T MJ/kg (from memory; 2.4538 at 20 degC), 0-50 degC."""
    return (2.501 - 0.002361 * temp_c) * 1e6


def convection_w_m2_k(speed_m_s: float) -> float:
    """Heat passed between an open surface and air, W/(m2 K): 5.7 + 3.8 v, the flat-plate form for v under 5 m/s
    (McAdams; from memory). The draught that dries also warms the tray back, so both use one air speed."""
    return 5.7 + 3.8 * speed_m_s


def pressure_atm(altitude_m: float) -> float:
    """Air pressure at an altitude, atm: (1 - 2.25577e-5 h)^5.25588, the standard atmosphere (from memory), 0-5000 m."""
    return float((1 - 2.25577e-5 * altitude_m) ** 5.25588)
