"""What each probe makes of the truth: pure maps, with the source of every number.

Two halves. The functions give what a probe says for a value that has reached it, cut to its steps and its range. A
`Model` adds what stands between the truth and that value: lag, the error of a single probe, temperature effect, slow
drift and scatter. How large each error of one probe is, `Traits` says; it is drawn once and stays.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

Value = float | int | bool
Sample = dict[str, Value]
"""One report: channel to value, in the unit the channel is sent in. A channel without a value is left out."""

DRY_POINT = (45.0, 2205.0)
WET_POINT = (90.0, 1530.0)
"""Capacitive probe in this bedding: (% wet basis, raw counts), from samples drier and wetter than bedding should be.
Counts fall as moisture rises."""
_COUNTS_PER_PCT = (WET_POINT[1] - DRY_POINT[1]) / (WET_POINT[0] - DRY_POINT[0])
ADC_FULL = 4095
"""Full scale of a 12-bit converter, counts."""
REFERENCE_C = 20.0
"""Temperature at which the capacitive probe was calibrated."""


def ds18b20_c(temp_c: float) -> float:
    """DS18B20 at 12 bit: steps of 1/16 degC, -55 to 125 degC (data sheet)."""
    return max(-55 * 16, min(125 * 16, round(temp_c * 16))) / 16


def counts(moisture_pct: float) -> float:
    """Capacitive probe: counts on the line through DRY_POINT and WET_POINT, -15 per % wet basis, before rounding."""
    return DRY_POINT[1] + (moisture_pct - DRY_POINT[0]) * _COUNTS_PER_PCT


def moisture_pct(count: float) -> float:
    """The way back, as a node that knows its calibration takes it: % wet basis, to 0.01."""
    return round(DRY_POINT[0] + (count - DRY_POINT[1]) / _COUNTS_PER_PCT, 2)


def adc_count(count: float) -> int:
    """What the converter gives: whole counts from 0 to ADC_FULL."""
    return max(0, min(ADC_FULL, round(count)))


def sht_c(temp_c: float) -> float:
    """SHT3x temperature: T = -45 + 175 S / 65535 for a 16-bit S (from memory), sent to 0.01 degC."""
    return round(-45 + 175 * _word((temp_c + 45) / 175) / 65535, 2)


def sht_pct(humidity_pct: float) -> float:
    """SHT3x humidity: RH = 100 S / 65535 for a 16-bit S (from memory), 0 to 100 %, sent to 0.01 %."""
    return round(100 * _word(humidity_pct / 100) / 65535, 2)


def _word(share: float) -> int:
    return max(0, min(65535, round(65535 * share)))


def dht_c(temp_c: float) -> float:
    """DHT22 temperature: steps of 0.1 degC, -40 to 80 degC (data sheet)."""
    return max(-400, min(800, round(temp_c * 10))) / 10


def dht_pct(humidity_pct: float) -> float:
    """DHT22 humidity: steps of 0.1 %RH, 0 to 100 % (data sheet)."""
    return max(0, min(1000, round(humidity_pct * 10))) / 10


def oxygen_mg_l(mg_l: float) -> float:
    """Dissolved oxygen probe: steps of 0.01 mg/L, 0 to 20 mg/L (common practice, no source)."""
    return max(0, min(2000, round(mg_l * 100))) / 100


def level_pct(level: float) -> float:
    """Float or ultrasonic gauge of a small sump: steps of 1 %, 0 to 100 % (common practice, no source)."""
    return float(max(0, min(100, round(level))))


def volts(v: float) -> float:
    """A cell behind a divider and the board's own converter: steps of 0.01 V (common practice, no source)."""
    return max(0, round(v * 100)) / 100


def switch(state: float) -> bool:
    return state > 0.5


@dataclass(frozen=True, slots=True)
class Model:
    """Errors are in the unit the probe measures in; for one probe they lie anywhere within what is given here."""

    says: Callable[[float], Value]
    senses: Callable[[float], float] = float
    """From the true quantity to the unit the probe measures in."""
    spread: float = 0.0
    """Standard deviation of repeated readings."""
    offset: float = 0.0
    """Largest constant error."""
    per_k: float = 0.0
    """Largest effect of its own temperature, for each K away from REFERENCE_C."""
    per_day: float = 0.0
    """Largest slow drift."""
    lag_s: float = 0.0
    """Time in which it covers 63 % of a step."""
    unplugged: Value | None = None
    """What it says with its cable off; None: nothing."""
    powered_up: Value | None = None
    """What it says when read before its first conversion."""


# DS18B20: +-0.5 degC from -10 to 85 degC; power-on register 0x0550 = 85 degC (data sheet); the usual Arduino library
# gives -127 where there is no contact. SHT3x: +-0.3 degC and +-2 %RH as the SHT31, 8 s (data sheet). DHT22: +-0.5 degC
# and +-2 %RH, repeatability +-0.2 degC and +-1 %RH, taken as two standard deviations (data sheet).
_DS18B20 = Model(ds18b20_c, spread=0.03, offset=0.5, unplugged=-127.0, powered_up=85.0)
_SHT_C = Model(sht_c, spread=0.04, offset=0.3, lag_s=8)
_DHT_C = Model(dht_c, spread=0.1, offset=0.5, lag_s=8)
MODELS: dict[tuple[str, str], Model] = {
    ("ds18b20", "temperature"): _DS18B20,
    ("ds18b20", "air-temperature"): _DS18B20,
    ("sht3x", "temperature"): _SHT_C,
    ("sht3x", "air-temperature"): _SHT_C,
    ("dht22", "temperature"): _DHT_C,
    ("dht22", "air-temperature"): _DHT_C,
    ("sht3x", "humidity"): Model(sht_pct, spread=0.15, offset=2.0, lag_s=8),
    ("dht22", "humidity"): Model(dht_pct, spread=0.5, offset=2.0, lag_s=8),
    # Temperature: probes moved by 0.015 to 0.02 cm3/cm3 over 10 K, some up and some down (two fell, a third rose); at
    # 0.59 kg/L wet and 76 % (0.14 kg dry and 0.45 kg water a litre) that is up to 0.08 % wet basis, 1.2 counts, for
    # each K. Drift, and no constant error since the oven samples take it out: common practice, no source.
    ("capacitive", "moisture"): Model(adc_count, counts, spread=1.0, per_k=1.2, per_day=0.1, unplugged=ADC_FULL),
    # Lag of a membrane probe, its error after calibration and its drift: common practice, no source.
    ("oxygen", "oxygen"): Model(oxygen_mg_l, spread=0.03, offset=0.1, per_day=0.005, lag_s=30),
    ("switch", "pump"): Model(switch),
    ("level", "leachate"): Model(level_pct, spread=0.3, offset=1.0),
    ("cell", "battery"): Model(volts, spread=0.004, offset=0.02),
}
"""By model and quantity."""


@dataclass(frozen=True, slots=True)
class Traits:
    """The errors of one probe's channel."""

    offset: float = 0.0
    per_k: float = 0.0
    per_day: float = 0.0


def traits(model: Model, draws: random.Random) -> Traits:
    """The errors of a probe from the shelf: small ones are likelier than large ones (triangular; no source)."""
    return Traits(*(draws.triangular(-most, most, 0.0) for most in (model.offset, model.per_k, model.per_day)))


def reading(model: Model, own: Traits, reached: float, temp_c: float, days: float, noise: float) -> float:
    """The reading for a true value that has `reached` the probe, in the unit it measures in, not yet cut to steps.

    `noise` is a draw from the standard normal distribution; `days` is the probe's age."""
    errors = own.offset + own.per_k * (temp_c - REFERENCE_C) + own.per_day * days + model.spread * noise
    return model.senses(reached) + errors


def lagged(level: float, before: float, now: float, seconds: float, lag_s: float) -> float:
    """What a first-order lag makes of a quantity that went from `before` to `now` in a straight line in `seconds`,
    starting from `level`: the exact response to a ramp."""
    if lag_s <= 0 or seconds <= 0:
        return now
    slope = (now - before) / seconds
    return now - slope * lag_s + (level - before + slope * lag_s) * math.exp(-seconds / lag_s)


_SENT: dict[tuple[str, str], Callable[[float], float]] = {
    ("temperature", "degF"): lambda c: round(c * 1.8 + 32, 4),
    ("air-temperature", "degF"): lambda c: round(c * 1.8 + 32, 4),
    ("moisture", "%"): moisture_pct,
    ("moisture", "/"): lambda count: round(moisture_pct(count) / 100, 4),
    ("humidity", "/"): lambda pct: round(pct / 100, 4),
    ("oxygen", "kg/m3"): lambda mg_l: round(mg_l * 0.001, 5),
    ("leachate", "/"): lambda pct: round(pct / 100, 2),
    ("battery", "mV"): lambda v: round(v * 1000),
}


def in_unit(name: str, unit: str, value: Value) -> Value:
    """A value as it is sent; units not named here are those the probe measures in."""
    change = _SENT.get((name, unit))
    return value if change is None else change(value)
