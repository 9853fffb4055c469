"""What each probe makes of the truth: pure maps from a true value and a draw of noise to what is sent.

`noise` is a draw from the standard normal distribution; 0 gives the noise-free map.
"""

Sample = dict[str, float | int | bool]
"""One report of a probe box: channel name to value, in the unit UNITS gives."""

UNITS = {
    "temperature": "Cel",
    "moisture": "count",
    "battery": "V",
    "air-temperature": "Cel",
    "humidity": "%RH",
    "oxygen": "kg/m3",
    "pump": "",
}
"""SenML unit of each channel (RFC 8428, RFC 8798); the pump is a Boolean and has none."""

DRY_POINT = (62.0, 1950.0)
WET_POINT = (84.0, 1620.0)
"""Capacitive probe in this bedding: (% wet basis, raw counts). Counts fall as moisture rises."""
ADC_FULL = 4095
"""Full scale of a 12-bit converter, counts."""


def ds18b20_c(temp_c: float, noise: float = 0.0, spread_c: float = 0.03) -> float:
    """DS18B20 at 12 bit: steps of 1/16 degC, -55 to 125 degC (data sheet). The spread is that of repeated readings;
    the +-0.5 degC error of a single probe is not modelled yet."""
    sixteenths = round((temp_c + spread_c * noise) * 16)
    return max(-55 * 16, min(125 * 16, sixteenths)) / 16


def capacitive_count(moisture_pct: float, noise: float = 0.0, spread: float = 1.0) -> int:
    """Capacitive probe: raw counts on the line through DRY_POINT and WET_POINT, -15 counts per % wet basis, and held
    at 0 and ADC_FULL. Temperature and salts are not modelled yet."""
    slope = (WET_POINT[1] - DRY_POINT[1]) / (WET_POINT[0] - DRY_POINT[0])
    count = round(DRY_POINT[1] + (moisture_pct - DRY_POINT[0]) * slope + spread * noise)
    return max(0, min(ADC_FULL, count))


def sht_c(temp_c: float, noise: float = 0.0, spread_c: float = 0.04) -> float:
    """SHT3x temperature: T = -45 + 175 S / 65535 for a 16-bit S (from memory), sent to 0.01 degC."""
    word = _word((temp_c + spread_c * noise + 45) / 175)
    return round(-45 + 175 * word / 65535, 2)


def sht_pct(humidity_pct: float, noise: float = 0.0, spread_pct: float = 0.15) -> float:
    """SHT3x humidity: RH = 100 S / 65535 for a 16-bit S (from memory), 0 to 100 %, sent to 0.01 %."""
    return round(100 * _word((humidity_pct + spread_pct * noise) / 100) / 65535, 2)


def _word(share: float) -> int:
    return max(0, min(65535, round(65535 * share)))


def oxygen_kg_m3(oxygen_mg_l: float, noise: float = 0.0, spread_mg_l: float = 0.03) -> float:
    """Dissolved oxygen probe: steps of 0.01 mg/L, 0 to 20 mg/L, sent as kg/m3 (1 mg/L is 0.001). Its lag of about half
    a minute is not modelled yet."""
    hundredths = round((oxygen_mg_l + spread_mg_l * noise) * 100)
    return max(0, min(2000, hundredths)) / 100_000


def battery_v(days: float, noise: float = 0.0, full_v: float = 3.95, per_day_v: float = 0.0015) -> float:
    """One lithium cell, nearly full, that loses `per_day_v` a day, sent to 0.01 V (common practice, no source)."""
    return max(0.0, round(full_v - per_day_v * days + 0.004 * noise, 2))
