"""Limits: wide enough for what the alarms need, there for every measure and model."""

import math

import numpy as np
import pytest

from collector.domain.probe_models import MODELS, OFF, limits_for
from collector.domain.quality import judge, no_memory
from collector.domain.readings import Flag
from collector.domain.units import MEASURES

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("measure", MEASURES)
@pytest.mark.parametrize("every_ms", [1000, MINUTE, 15 * MINUTE])
def test_every_measure_has_sane_limits_with_every_model(measure: str, model: str, every_ms: int) -> None:
    """Spans nest, thresholds rise, a gap is longer than the interval, the memory longer than any window."""
    limits = limits_for(measure, model, every_ms)
    assert limits.fail[0] <= limits.suspect[0] < limits.suspect[1] <= limits.fail[1]
    assert 0 < limits.spike.suspect <= limits.spike.fail
    assert 0 < limits.rate.suspect <= limits.rate.fail
    assert limits.gap_ms >= 5 * every_ms
    windows = limits.flat_ms or (0, 0)
    assert windows[0] <= windows[1] < limits.memory_ms


@pytest.mark.parametrize(
    ("measure", "model", "trouble"),
    [
        ("bedding_temperature", "ds18b20", [-4, 0, 3.9, 30.1, 33, 35, 40, 55]),
        ("bedding_moisture", "capacitive", [20, 45, 55, 59, 60, 91, 95]),
        ("air_temperature", "sht3x", [-5, 0, 38]),
        ("air_humidity", "dht22", [5, 20, 99, 100]),
        ("tea_temperature", "ds18b20", [0, 4, 31, 40]),
        ("dissolved_oxygen", "oxygen", [0, 0.5, 5.9, 14.62]),
        ("air_pump", "switch", [0, 1]),
        ("leachate_level", "generic", [0, 100]),
        ("battery", "generic", [0.9, 2.2, 3.0, 12.6]),
    ],
)
def test_a_true_reading_of_trouble_passes(measure: str, model: str, trouble: list[float]) -> None:
    """What alarms are for is plausible: by itself no such value is doubted."""
    limits = limits_for(measure, model, MINUTE)
    for value in trouble:
        number = np.array([float(value)])
        raw = np.array([2000.0]) if model == "capacitive" else number
        flags, _, _ = judge(limits, no_memory(), np.array([1]), raw, number, np.zeros(1, np.uint16))
        assert (value, flags[0]) == (value, Flag.PASS)


def test_models_differ_in_what_they_can_measure() -> None:
    """Temperature spans are the data sheets' (DS18B20 -55..125, DHT22 -40..80, SHT3x -40..125)."""
    spans = {model: limits_for("air_temperature", model, MINUTE).fail for model in MODELS}
    assert (spans["ds18b20"], spans["dht22"], spans["sht3x"]) == ((-55, 125), (-40, 80), (-40, 125))
    assert spans["generic"] == (-45, 130)


def test_a_pinned_input_is_a_matter_of_the_unit() -> None:
    """0 and 4095 are ends for a count, 0 for a voltage, and no end at all for a percentage."""
    assert limits_for("bedding_moisture", "capacitive", MINUTE).pinned == (0, 4095)
    assert limits_for("bedding_moisture", "capacitive", MINUTE, "count").pinned == (0, 4095)
    assert limits_for("bedding_moisture", "capacitive", MINUTE, "mV").pinned == (0, math.inf)
    assert limits_for("bedding_moisture", "capacitive", MINUTE, "%").pinned is None
    assert limits_for("bedding_moisture", "generic", MINUTE).pinned is None
    assert limits_for("leachate_level", "capacitive", MINUTE).pinned == (0, 4095)


def test_flat_lines_are_looked_for_only_where_a_healthy_series_moves() -> None:
    """Days for temperatures and counts; never for a pump, a battery, a drain, or a percentage the node rounded."""
    assert limits_for("bedding_temperature", "ds18b20", MINUTE).flat_ms == (3 * DAY, 7 * DAY)
    assert limits_for("bedding_moisture", "capacitive", MINUTE, "count").flat_ms == (DAY // 4, 7 * DAY)
    assert limits_for("dissolved_oxygen", "oxygen", MINUTE).flat_ms == (DAY, 3 * DAY)
    assert limits_for("bedding_moisture", "capacitive", MINUTE, "%").flat_ms is None
    assert limits_for("leachate_level", "capacitive", MINUTE).flat_ms is None
    for measure in ("air_pump", "battery", "leachate_level", "bedding_moisture"):
        assert limits_for(measure, "generic", MINUTE).flat_ms is None


def test_steps_by_design_are_never_tested_against_neighbours() -> None:
    """A pump switched and a battery changed are steps."""
    for measure in ("air_pump", "battery"):
        limits = limits_for(measure, "generic", MINUTE)
        assert (limits.spike, limits.rate) == (OFF, OFF)


def test_quick_reporting_allows_one_step_of_the_coarsest_probe() -> None:
    """At one reading a second a DS18B20 at 9 bit moves 0.5 degC at once."""
    limits = limits_for("bedding_temperature", "ds18b20", 1000)
    value = np.array([20.0, 20.5, 20.0])
    flags, _, _ = judge(limits, no_memory(), np.array([0, 1000, 1001]), value, value, np.zeros(3, np.uint16))
    assert flags.tolist() == [1, 1, 1]


def test_a_pump_that_stops_is_a_fall_not_a_fault() -> None:
    """Oxygen used up at 40 mg/L per hour is believed at every step, even with readings four minutes apart."""
    limits = limits_for("dissolved_oxygen", "oxygen", MINUTE)
    t_ms = np.arange(0, 13, 4, dtype=np.int64) * MINUTE
    value = 8.5 - 40 * t_ms / HOUR
    flags, _, _ = judge(limits, no_memory(), t_ms, value, value, np.zeros(t_ms.size, np.uint16))
    assert flags.tolist() == [1, 1, 1, 1]


@pytest.mark.parametrize(
    ("measure", "model", "message"),
    [
        ("bedding_temprature", "ds18b20", "'bedding_temprature' is not a measure; use one of bedding_temperature,"),
        ("battery", "ds18b21", "'ds18b21' is not a probe model; use one of ds18b20, capacitive,"),
    ],
)
def test_unknown_names_are_refused_with_the_known_ones(measure: str, model: str, message: str) -> None:
    """A slip never turns the tests off."""
    with pytest.raises(ValueError, match=message):
        limits_for(measure, model, MINUTE)
