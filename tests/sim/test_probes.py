"""What probes make of the truth."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_sensors import probes


@pytest.mark.parametrize(
    ("true_c", "sent_c"),
    [
        (25.0625, 25.0625),
        (10.12, 10.125),
        (0.51, 0.5),
        (-0.5, -0.5),
        (-10.125, -10.125),
        (20.03, 20.0),
        (20.04, 20.0625),
    ],
)
def test_ds18b20_sends_sixteenths(true_c: float, sent_c: float) -> None:
    """Steps of 1/16 degC, the values of the data sheet's table among them."""
    assert probes.ds18b20_c(true_c) == sent_c


@pytest.mark.parametrize(("true_c", "sent_c"), [(200, 125), (-80, -55)])
def test_ds18b20_ends_at_its_range(true_c: float, sent_c: float) -> None:
    """-55 to 125 degC (data sheet)."""
    assert probes.ds18b20_c(true_c) == sent_c


@pytest.mark.parametrize(
    ("moisture", "count"), [(62, 1950), (84, 1620), (73, 1785), (51, 2115), (400, 0), (-200, 4095)]
)
def test_capacitive_counts_fall_as_moisture_rises(moisture: float, count: int) -> None:
    """1950 counts at 62 %, 1620 at 84 %, a straight line through them, held at both ends of the converter."""
    assert probes.capacitive_count(moisture) == count


@settings(max_examples=50)
@given(st.floats(0, 100), st.floats(-20, 50))
def test_air_probe_is_within_a_step_of_the_truth(humidity: float, temp_c: float) -> None:
    """Without noise the air probe is off by no more than its step and the rounding to 0.01."""
    assert probes.sht_pct(humidity) == pytest.approx(humidity, abs=0.007)
    assert probes.sht_c(temp_c) == pytest.approx(temp_c, abs=0.007)


@pytest.mark.parametrize(
    ("word", "pct", "temp_c"), [(0x6666, 40.0, 25.0), (0x8000, 50.0, 42.5), (0xFFFF, 100.0, 130.0)]
)
def test_air_probe_words(word: int, pct: float, temp_c: float) -> None:
    """The maker's formulas (from memory) at three words, as sent to 0.01."""
    assert probes.sht_pct(100 * word / 65535) == pytest.approx(pct, abs=0.005)
    assert probes.sht_c(-45 + 175 * word / 65535) == pytest.approx(temp_c, abs=0.005)


@pytest.mark.parametrize(("mg_l", "sent"), [(8.0, 0.008), (7.404, 0.0074), (0.0, 0.0), (-1.0, 0.0), (25.0, 0.02)])
def test_oxygen_is_sent_in_kg_per_m3(mg_l: float, sent: float) -> None:
    """1 mg/L is 0.001 kg/m3, in steps of 0.01 mg/L, from nothing to the end of its range."""
    assert probes.oxygen_kg_m3(mg_l) == sent


def test_noise_moves_the_reading_by_its_spread() -> None:
    """Three standard deviations of noise show in each probe, in the right direction."""
    assert probes.ds18b20_c(20, 3) == pytest.approx(20.0625)
    assert probes.capacitive_count(62, 3) == 1953
    assert probes.oxygen_kg_m3(8, 3) == pytest.approx(0.00809)
    assert probes.sht_pct(45, 3) == pytest.approx(45.45, abs=0.01)


def test_battery_runs_down() -> None:
    """A battery loses charge over a year and never shows less than nothing."""
    assert probes.battery_v(0, full_v=4.0) == 4.0
    assert probes.battery_v(365) == pytest.approx(probes.battery_v(0) - 0.55, abs=0.02)
    assert probes.battery_v(1e6) == 0
