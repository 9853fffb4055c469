"""What probes make of the truth, against their data sheets; and the errors of single probes."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_sensors import probes
from sim_sensors.probe_setup import OFFERED, UNITS
from sim_sensors.probes import MODELS, Model, Traits
from tests.sim.small import draws as seeded


@pytest.mark.parametrize(
    ("true_c", "raw", "sent_c"),
    [
        (125, 0x07D0, 125),
        (85, 0x0550, 85),
        (25.0625, 0x0191, 25.0625),
        (10.125, 0x00A2, 10.125),
        (0.5, 0x0008, 0.5),
        (0, 0x0000, 0),
        (-0.5, 0xFFF8, -0.5),
        (-10.125, 0xFF5E, -10.125),
        (-25.0625, 0xFE6F, -25.0625),
        (-55, 0xFC90, -55),
    ],
)
def test_ds18b20_sends_the_values_of_its_data_sheet(true_c: float, raw: int, sent_c: float) -> None:
    """Each row of the data sheet's table: what is sent is the register's two's complement over 16."""
    assert probes.ds18b20_c(true_c) == sent_c
    assert (raw - 0x10000 if raw & 0x8000 else raw) / 16 == sent_c


@pytest.mark.parametrize(
    ("true_c", "sent_c"), [(10.12, 10.125), (20.03, 20.0), (20.04, 20.0625), (200, 125), (-80, -55)]
)
def test_ds18b20_steps_and_range(true_c: float, sent_c: float) -> None:
    """Steps of 1/16 degC, from -55 to 125 degC (data sheet)."""
    assert probes.ds18b20_c(true_c) == sent_c


@pytest.mark.parametrize(
    ("moisture", "count"), [(62, 1950), (84, 1620), (73, 1785), (51, 2115), (400, 0), (-200, 4095)]
)
def test_capacitive_counts_fall_as_moisture_rises(moisture: float, count: int) -> None:
    """1950 counts at 62 %, 1620 at 84 %, a straight line through them, held at both ends of the converter."""
    assert probes.adc_count(probes.counts(moisture)) == count


@settings(max_examples=50)
@given(st.floats(0, 100))
def test_a_node_that_knows_its_calibration_gets_the_moisture_back(moisture: float) -> None:
    """Counts to % wet basis is the way back, within one count."""
    assert probes.moisture_pct(probes.adc_count(probes.counts(moisture))) == pytest.approx(moisture, abs=1 / 30 + 0.006)


@settings(max_examples=50)
@given(st.floats(0, 100), st.floats(-20, 50))
def test_air_probes_are_within_a_step_of_the_truth(humidity: float, temp_c: float) -> None:
    """Without errors an air probe is off by no more than half its step and the rounding to 0.01."""
    assert probes.sht_pct(humidity) == pytest.approx(humidity, abs=0.007)
    assert probes.sht_c(temp_c) == pytest.approx(temp_c, abs=0.007)
    assert probes.dht_pct(humidity) == pytest.approx(humidity, abs=0.051)
    assert probes.dht_c(temp_c) == pytest.approx(temp_c, abs=0.051)


@pytest.mark.parametrize(
    ("word", "pct", "temp_c"), [(0x6666, 40.0, 25.0), (0x8000, 50.0, 42.5), (0xFFFF, 100.0, 130.0)]
)
def test_air_probe_words(word: int, pct: float, temp_c: float) -> None:
    """The maker's formulas (from memory) at three words, as sent to 0.01."""
    assert probes.sht_pct(100 * word / 65535) == pytest.approx(pct, abs=0.005)
    assert probes.sht_c(-45 + 175 * word / 65535) == pytest.approx(temp_c, abs=0.005)


@pytest.mark.parametrize(
    ("said", "ends"),
    [
        (probes.dht_c, (-40.0, 80.0)),
        (probes.dht_pct, (0.0, 100.0)),
        (probes.sht_pct, (0.0, 100.0)),
        (probes.oxygen_mg_l, (0.0, 20.0)),
        (probes.level_pct, (0.0, 100.0)),
    ],
)
def test_ranges(said: object, ends: tuple[float, float]) -> None:
    """Each probe stays within its range whatever the truth is."""
    assert callable(said)
    assert (said(-1000.0), said(1000.0)) == ends


@pytest.mark.parametrize(
    ("name", "unit", "value", "sent"),
    [
        ("temperature", "Cel", 21.5, 21.5),
        ("temperature", "degC", 21.5, 21.5),
        ("temperature", "degF", -127.0, -196.6),  # the code for 'no contact' of the usual library in degF
        ("air-temperature", "degF", 20.0, 68.0),
        ("moisture", "count", 1950, 1950),
        ("moisture", "%", 1785, 73.0),
        ("moisture", "/", 1785, 0.73),
        ("humidity", "/", 48.2, 0.482),
        ("oxygen", "mg/L", 8.0, 8.0),
        ("oxygen", "kg/m3", 7.4, 0.0074),
        ("leachate", "/", 37.0, 0.37),
        ("battery", "mV", 3.95, 3950),
        ("pump", "on/off", True, True),
    ],
)
def test_units(name: str, unit: str, value: float, sent: float) -> None:
    """Values arrive in the unit asked for, with no digits that the probe does not have."""
    assert probes.in_unit(name, unit, value) == sent
    assert unit in UNITS[name]


def test_every_channel_offered_has_a_model() -> None:
    """What a scenario may ask for exists."""
    offered = {(model, name) for names in OFFERED.values() for name, models in names.items() for model in models}
    assert offered == MODELS.keys()


def test_the_errors_of_single_probes_stay_within_the_data_sheet() -> None:
    """Of 2,000 DS18B20 none is off by more than 0.5 degC (data sheet), some by more than 0.4, and they average out."""
    draws = seeded()
    offsets = [probes.traits(MODELS["ds18b20", "temperature"], draws).offset for _ in range(2000)]
    assert max(map(abs, offsets)) <= 0.5
    assert max(offsets) > 0.4
    assert min(offsets) < -0.4
    assert abs(sum(offsets) / len(offsets)) < 0.02


def test_capacitive_probes_feel_temperature_each_in_its_own_way() -> None:
    """Some rise and some fall with temperature, as published probes do, by no more than 1.2 counts (0.08 %) per K."""
    draws = seeded()
    effects = [probes.traits(MODELS["capacitive", "moisture"], draws).per_k for _ in range(500)]
    assert min(effects) < -0.8
    assert max(effects) > 0.8
    assert max(map(abs, effects)) <= 1.2


def test_a_reading_is_the_truth_and_the_errors_of_the_probe() -> None:
    """Offset, temperature effect, drift and scatter add up, in the unit the probe measures in."""
    model = Model(probes.adc_count, probes.counts, spread=2.0)
    own = Traits(offset=5.0, per_k=-1.0, per_day=0.5)
    assert probes.reading(model, own, 62.0, 20.0, 0.0, 0.0) == 1955
    assert probes.reading(model, own, 62.0, 23.0, 10.0, 1.5) == 1955 - 3 + 5 + 3


def test_a_lag_covers_63_percent_of_a_step_in_its_time() -> None:
    """First order: 1 - 1/e of a step after one time constant (by definition), 95 % after three."""
    after = probes.lagged(0.0, 10.0, 10.0, 30.0, 30.0)
    assert after == pytest.approx(10 * (1 - math.exp(-1)))
    assert probes.lagged(0.0, 10.0, 10.0, 90.0, 30.0) == pytest.approx(10 * (1 - math.exp(-3)))


def test_a_lag_follows_a_ramp_by_slope_times_its_time() -> None:
    """Far into a ramp of 0.01 mg/L a second a 30 s probe reads 0.3 mg/L too high (first-order lag, any textbook)."""
    level, truth = 8.0, 8.0
    for _ in range(40):
        level, truth = probes.lagged(level, truth, truth - 0.6, 60.0, 30.0), truth - 0.6
    assert level - truth == pytest.approx(0.3)


@settings(max_examples=50)
@given(st.floats(0, 10), st.floats(0, 10), st.floats(0, 10), st.floats(1, 100), st.floats(1, 100))
def test_a_lag_does_not_depend_on_how_often_it_is_looked_at(
    level: float, before: float, now: float, seconds: float, lag_s: float
) -> None:
    """Two halves of a straight line give what the whole gives."""
    half = (before + now) / 2
    first = probes.lagged(level, before, half, seconds / 2, lag_s)
    assert probes.lagged(first, half, now, seconds / 2, lag_s) == pytest.approx(
        probes.lagged(level, before, now, seconds, lag_s), abs=1e-9
    )


def test_no_lag_is_the_truth() -> None:
    """A probe without lag, and one looked at twice in the same moment, read what is."""
    assert probes.lagged(0.0, 1.0, 2.0, 60.0, 0.0) == 2.0
    assert probes.lagged(0.0, 1.0, 2.0, 0.0, 30.0) == 2.0


def test_volts_and_switches() -> None:
    """A battery is read to 0.01 V and never below nothing; a pump is on or off."""
    assert (probes.volts(3.9449), probes.volts(-1.0)) == (3.94, 0)
    assert (probes.switch(1.0), probes.switch(0.0)) == (True, False)
