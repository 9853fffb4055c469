"""The deficit that dries a tray against psychrolib (ASHRAE, Hyland and Wexler); its fitted coefficient against
scipy.optimize on the same record."""

import numpy as np
import psychrolib
import pytest
from scipy.optimize import curve_fit

from collector.husbandry.air import deficit_kpa, saturation_kpa
from collector.husbandry.drying import Dryer, TrayHours, drive, moisture_pct

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("temp_c", [1.0, 5.0, 10.0, 15.0, 20.0, 24.5, 30.0, 35.0, 40.0])
def test_saturation_agrees_with_psychrolib(temp_c: float) -> None:
    """Within 0.5 %, from 1 to 40 degC."""
    expected = psychrolib.GetSatVapPres(temp_c) / 1000
    assert saturation_kpa(np.array([temp_c]))[0] == pytest.approx(expected, rel=5e-3)


@pytest.mark.parametrize(
    ("temp_c", "humidity", "kpa"), [(20, 50, 1.1691), (22, 40, 1.5864), (25, 60, 1.2671), (18, 95, 0.1032)]
)
def test_deficit_of_air_alone_agrees_with_psychrolib(temp_c: float, humidity: float, kpa: float) -> None:
    """Bedding as warm as the room: the vapour pressure deficit of the room's air (values of FAO-56's form beside)."""
    found = deficit_kpa(np.array([temp_c]), np.array([temp_c]), np.array([humidity]))[0]
    whole = psychrolib.GetSatVapPres(temp_c) - psychrolib.GetVapPresFromRelHum(temp_c, humidity / 100)
    assert found == pytest.approx(whole / 1000, rel=5e-3)
    assert found == pytest.approx(kpa, rel=5e-3)


@pytest.mark.parametrize(("bed_c", "room_c", "humidity", "kpa"), [(25, 20, 50, 1.9986), (20, 22, 60, 0.7519)])
def test_warm_bedding_dries_faster_than_the_room_says(bed_c: float, room_c: float, humidity: float, kpa: float) -> None:
    """Saturation at the bedding's temperature less what the room's air holds."""
    found = deficit_kpa(np.array([bed_c]), np.array([room_c]), np.array([humidity]))[0]
    whole = psychrolib.GetSatVapPres(bed_c) - psychrolib.GetVapPresFromRelHum(room_c, humidity / 100)
    assert found == pytest.approx(whole / 1000, rel=1e-2)
    assert found == pytest.approx(kpa, rel=1e-2)


@pytest.mark.parametrize("seed", range(5))
def test_the_coefficient_is_that_of_least_squares_where_nothing_is_odd(seed: int) -> None:
    """Ten days of a tray nobody touches, with the probe's noise: within 5 % of what scipy fits to the same hours. (Ten
    days of drying are told with hardly any pull to nothing.)"""
    noise, n = np.random.default_rng(seed), 240
    hour = np.arange(n)
    room = 20 + 2 * np.sin(hour * 2 * np.pi / 24)
    record = TrayHours(
        moisture_pct=np.full(n, np.nan),
        bed_c=room - 1,
        room_c=room,
        humidity_pct=45 + 10 * np.cos(hour / 30),
        stirred=np.zeros(n, np.bool_),
    )
    kpa = drive(record).kpa
    kpa_d = np.cumsum(kpa) / 24
    moisture = moisture_pct(4.0 - 0.08 * kpa_d) + noise.normal(0, 0.1, n)
    ready = Dryer(
        TrayHours(
            moisture_pct=moisture,
            bed_c=record.bed_c,
            room_c=record.room_c,
            humidity_pct=record.humidity_pct,
            stirred=record.stirred,
        ),
        kpa,
    )
    (_, expected), _ = curve_fit(lambda x, start, c: moisture_pct(start - c * x), kpa_d, moisture, (4.0, 0.1))
    assert ready.coefficient(n) == pytest.approx(expected, rel=0.05)
