"""What a doubtful reading means in words a teacher can act on.

A probe's own codes for "no value": DS18B20 data sheet (power-on register 0x0550 = +85 degC = 185 degF); its usual
libraries say -127 degC or -196.6 degF where it is not connected.
"""

from collections.abc import Iterator

from collector.domain.lab import Lab, Series
from collector.domain.readings import CLEAN, USABLE, Flag, StoredReading, Why
from collector.domain.units import show_value

_POWER_ON = (85.0, 185.0)
_WORDS = {
    Why.NOT_A_NUMBER: "the probe sent no number",
    Why.RANGE_FAIL: "outside what the probe can measure",
    Why.RANGE_SUSPECT: "outside what this place plausibly does",
    Why.SPIKE: "a spike",
    Why.RATE: "changed faster than this place can",
    Why.FLAT: "has not moved for too long",
    Why.CALIBRATION: "beyond the calibration points",
    Why.UNCALIBRATED: "a raw number, not calibrated yet",
    Why.NOT_THE_BEDDING: "not the bedding: the probe is out of it, or reads air",
    Why.FUTURE: "the probe's clock runs ahead",
}
_FLAGS: dict[int, str] = {
    Flag.SUSPECT: "doubtful",
    Flag.FAIL: "not to be trusted",
    Flag.MISSING: "its reading came empty",
}


def model_of(lab: Lab, series: Series) -> str:
    """The probe model behind a series, 'generic' where the lab file no longer has it."""
    found = (c.model for p in lab.probes if p.id == series.probe for c in p.channels if c.key == series.channel)
    return next(found, "generic")


def is_usable(last: StoredReading | None) -> bool:
    """Whether the reading has a value that counts."""
    return last is not None and last.value is not None and last.flag in USABLE


def what_it_said(last: StoredReading, series: Series, lab: Lab) -> str:
    """What the probe said: '31.2 °C', or a code of its own as it sent it: '-127 (a code)'."""
    if last.why & Why.SENTINEL and last.raw is not None:
        return f"{last.raw:g} (a code)"
    return show_value(series.measure, last.value, lab.us_units)


def why_doubtful(last: StoredReading, series: Series, lab: Lab) -> str:
    """Why a reading is not simply good, and where to look. Empty where it is."""
    if last.flag in CLEAN and not last.why & Why.UNCALIBRATED:
        return ""
    reasons = "; ".join(_reasons(last, model_of(lab, series)))
    return reasons or _FLAGS.get(last.flag, f"quality flag {last.flag}")


def _reasons(last: StoredReading, model: str) -> Iterator[str]:
    if last.why & Why.SENTINEL:
        yield _sentinel(model, last.raw)
    yield from (words for why, words in _WORDS.items() if last.why & why)


def _sentinel(model: str, raw: float | None) -> str:
    if model == "ds18b20" and raw in _POWER_ON:
        return "what this probe says just after power came on: check its power supply and plug"
    if model == "ds18b20":
        return "this probe's way of saying it is not connected: check its plug and cable"
    if model == "capacitive":
        return "stuck at the end of its scale: check that it stands in the bedding, and its plug and cable"
    return "this probe's way of saying it has no value: check its plug and cable"
