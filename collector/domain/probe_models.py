"""What each measure can plausibly do and each probe model can say: the numbers behind the quality tests.

Spans: `fail` is what the probe can measure at all, `suspect` what a bin, brewer or room in a school plausibly does.
The suspect span is wider than every alarm band on purpose: a bed at 33 degC or 55 % is in trouble, not in doubt, and
the alarms need its reading. All numbers marked CP are common practice with no source; the others name theirs.

Gap: five reporting intervals, at least 5 min (CP; the QARTOD gap test leaves the time to the operator).

Spike and rate: how far a reading may lie from the last one. Spike: `jump` is the most a quick but honest event does (a
can of cold water, an opened lid), plus what the measure can drift honestly over the longest span that is not a gap.
Rate: per minute, but over one reporting interval never less than `noise`, twice the repeatability or resolution of the
cheapest probe, so that one digital step between quick readings is no rate.

Flat line: tolerance 0, identical values only. A DS18B20 at its default 12 bit steps by 0.0625 degC, cheap firmware
rounds to 0.1 or 0.5, and a wet bed behind a lid in a stable room can honestly stay within one step overnight or over a
weekend; with any tolerance above 0, or hours in place of days, healthy beds would be flagged. So: identical for 3 days
is doubtful, for a week is a fault (CP). Oxygen moves with every degree and every bubble: 1 day and 3 days (CP).
Moisture is tested only where a count comes in, whose last digits always flicker; a percentage rounded by the node can
stay put for weeks under a lid. Never tested: air pump (it should stay on), battery (a good one stays put for weeks),
leachate level (a dry drain stays dry). Humidity at 99.9 and above is not tested: condensing bin air pins a sound probe
there (CP). A flat line blinds nobody: the first reading that differs passes again at once.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

from collector.domain.units import MEASURES, MS, OWN, from_sent

MODELS = ("ds18b20", "capacitive", "sht3x", "dht22", "oxygen", "switch", "generic")
NEVER = math.inf
_DAY_MS = MS["d"]
BED_MEMORY_MS = 43 * MS["h"]
"""So long the level that moisture held can show that a probe is out of its bedding (`collector.domain.bedding`)."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Beyond `suspect` a reading is doubted (3), beyond `fail` it is not believed (4)."""

    suspect: float
    fail: float


OFF = Thresholds(NEVER, NEVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Everything `judge` needs to know about one series, in the canonical unit of its measure."""

    suspect: tuple[float, float]
    """Span of what this place plausibly does."""
    fail: tuple[float, float]
    """Span of what the probe can measure."""
    gap_ms: int
    every_ms: int
    spike: Thresholds = OFF
    """In units of the measure."""
    rate: Thresholds = OFF
    """In units of the measure per second, over at least `every_ms`."""
    flat_ms: tuple[int, int] | None = None
    """How long identical values are doubtful, and how long a fault; None: not tested."""
    flat_below: float = math.inf
    """Values from here on are not tested for a flat line."""
    codes: tuple[float, ...] = ()
    """Raw values that are the probe's way of saying "no value" (9)."""
    power_up: float | None = None
    """Raw value the probe holds after power-up, before its first measurement (9 or 3)."""
    pinned: tuple[float, float] | None = None
    """Raw values at or beyond these are an input pinned at an end (4)."""
    dries: bool = False
    """Whether a fall faster than drying means that the probe is out of its bedding (4)."""

    @property
    def memory_ms(self) -> int:
        """How far back from the newest judged row `memory_from_rows` must be given rows."""
        return max(self.gap_ms + (self.flat_ms[1] if self.flat_ms else 0), BED_MEMORY_MS if self.dries else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Habits:
    """What a measure does, whatever the probe."""

    suspect: tuple[float, float]
    fail: tuple[float, float]
    jump: Thresholds = OFF
    drift_per_h: float = 0.0
    per_min: Thresholds = OFF
    noise: float = 0.0
    flat_ms: tuple[int, int] | None = None
    flat_below: float = math.inf


_SLOW = (3 * _DAY_MS, 7 * _DAY_MS)
_QUICK = (1 * _DAY_MS, 3 * _DAY_MS)
_COUNT = (_DAY_MS // 4, 7 * _DAY_MS)
"""A raw count of a 12-bit converter moves by itself by a count or so (from memory): one that is the very same for six
hours is repeated, not measured (common practice, no source)."""
_SHT_WORD = (-45.0, 130.0)  # widest of the cheap probes: the SHT3x formula -45 + 175 S/65535 at both ends (from memory)

_HABITS = {
    # -10..60 degC: beyond these a reading means equipment, not a bed (CP). Jumps: a can of tap water at 10 degC, a
    # tray lifted into the room (CP); noise: two steps of a DS18B20 at 9 bit (data sheet: 0.5 degC).
    "bedding_temperature": _Habits(
        suspect=(-10.0, 60.0),
        fail=_SHT_WORD,
        jump=Thresholds(5.0, 15.0),
        drift_per_h=3.0,
        per_min=Thresholds(2.0, 10.0),
        noise=1.0,
        flat_ms=_SLOW,
    ),
    # A window opened in frost, sun on the probe: faster than a bed (CP).
    "air_temperature": _Habits(
        suspect=(-10.0, 60.0),
        fail=_SHT_WORD,
        jump=Thresholds(6.0, 20.0),
        drift_per_h=10.0,
        per_min=Thresholds(3.0, 10.0),
        noise=1.0,
        flat_ms=_SLOW,
    ),
    # Water is not below 0 degC; 0.5 is the accuracy of a DS18B20 there (data sheet). Brewers run near 20 degC.
    "tea_temperature": _Habits(
        suspect=(-0.5, 60.0),
        fail=_SHT_WORD,
        jump=Thresholds(5.0, 15.0),
        drift_per_h=5.0,
        per_min=Thresholds(3.0, 10.0),
        noise=1.0,
        flat_ms=_SLOW,
    ),
    # Dry paper holds 5 to 8 % (newsprint 5.5, cardboard 8): nothing in a bin is drier, below it the probe is out of
    # the bed. Saturated coir holds 88 to 92 % (Evans 1996), standing leachate more; above 100 cannot be on a wet
    # basis. A two-point line extended to air or water overshoots by about 12 points (3300/1500 counts: 3500 -> -11,
    # 1400 -> 106), which is doubtful and still tells dry from wet, so failing starts beyond that. Watering moves a
    # bed by 30 points at once; no jump between 5 and 100 fails by itself. Noise: CP.
    "bedding_moisture": _Habits(
        suspect=(5.0, 100.0),
        fail=(-15.0, 115.0),
        jump=Thresholds(15.0, NEVER),
        drift_per_h=0.0,
        per_min=Thresholds(10.0, NEVER),
        noise=5.0,
    ),
    # 0..100 %RH by definition; makers give up to 5 points of error at the ends (DHT22 max), of which 2 are let pass
    # as doubtful. A lid opened over wet bedding takes a probe with an 8 s time constant (SHT3x) from 95 to room air
    # at once.
    "air_humidity": _Habits(
        suspect=(0.0, 100.0),
        fail=(-2.0, 102.0),
        jump=Thresholds(30.0, NEVER),
        drift_per_h=20.0,
        per_min=Thresholds(20.0, NEVER),
        noise=5.0,
        flat_ms=_SLOW,
        flat_below=99.9,
    ),
    # Air-saturated water holds 14.62 mg/L at 0 degC (Benson & Krause 1984), the most a brew can. Probes read to 20
    # mg/L and may sit a little below zero in water without oxygen (CP). Drift: a brew using 40 mg/L per hour after
    # its pump stops.
    "dissolved_oxygen": _Habits(
        suspect=(-0.2, 15.0),
        fail=(-1.0, 20.0),
        jump=Thresholds(2.0, 6.0),
        drift_per_h=40.0,
        per_min=Thresholds(2.0, 6.0),
        noise=0.5,
        flat_ms=_QUICK,
    ),
    "air_pump": _Habits(suspect=(0.0, 1.0), fail=(0.0, 1.0)),
    # A drain opened empties the tank between two readings: doubtful until the next one agrees, never failed (CP).
    "leachate_level": _Habits(suspect=(0.0, 100.0), fail=(-5.0, 105.0), jump=Thresholds(30.0, NEVER)),
    # One worn cell to a 24 V supply (CP); a new battery is a step, so no neighbour test.
    "battery": _Habits(suspect=(0.5, 30.0), fail=(0.0, 60.0)),
    # Computed, or known of the collector itself: nothing to doubt beyond what cannot be.
    "oxygen_saturation": _Habits(suspect=(-5.0, 200.0), fail=(-20.0, 300.0)),
    **{name: _Habits(suspect=(0.0, MEASURES[name].high), fail=(0.0, MEASURES[name].high)) for name in OWN},
}

_TEMPERATURE_SPANS = {
    "ds18b20": (-55.0, 125.0),  # data sheet
    "sht3x": (-40.0, 125.0),  # data sheet (from memory); a dead bus reads -45 or 130, the ends of the formula
    "dht22": (-40.0, 80.0),  # data sheet
}

# Arduino temperature library: -127 disconnected, also as -196.6 degF; -251..-254 power-on reset (one fork) and the open
# and short circuits of thermocouple parts. Data sheet: the power-on register 0x0550 is +85 degC.
_DS18B20_CODES_C = (-127.0, -251.0, -252.0, -253.0, -254.0)
_DS18B20_CODE_F = -196.6
_DS18B20_POWER_UP_C = 85.0
_FULL_SCALE_COUNT = 4095.0  # 12-bit converter, as on the usual boards; others: model `generic`


@lru_cache(maxsize=256)
def limits_for(measure: str, model: str, every_ms: int, unit: str = "") -> Limits:
    """The limits of a channel: `measure` and probe `model` as in the lab file, reporting interval, raw unit.

    The unit matters to codes only (85 degC is a power-up value, 85 degF is not; 0 is a pinned count but a fair
    percentage); empty means degC or a count. Raises ValueError for a measure or model there is none of.
    """
    if measure not in _HABITS:
        raise ValueError(f"'{measure}' is not a measure; use one of {', '.join(_HABITS)}")
    if model not in MODELS:
        raise ValueError(f"'{model}' is not a probe model; use one of {', '.join(MODELS)}")
    habits = _HABITS[measure]
    every_ms = max(1, every_ms)
    gap_ms = max(5 * every_ms, 5 * MS["min"])
    dimension = MEASURES[measure].dimension
    fail, pinned = habits.fail, None
    codes: tuple[float, ...] = ()
    power_up: float | None = None
    if dimension == "temperature":
        fail = _TEMPERATURE_SPANS.get(model, fail)
        if model == "ds18b20":
            codes, power_up = _ds18b20_codes(measure, unit)
    flat_ms = habits.flat_ms
    if dimension == "percent" and model == "capacitive":
        pinned = _pinned(measure, unit)
        if measure == "bedding_moisture" and pinned:
            flat_ms = _COUNT
    return Limits(
        suspect=habits.suspect,
        fail=fail,
        gap_ms=gap_ms,
        every_ms=every_ms,
        spike=_spike(habits, gap_ms),
        rate=_rate(habits, every_ms),
        flat_ms=flat_ms,
        flat_below=habits.flat_below,
        codes=codes,
        power_up=power_up,
        pinned=pinned,
        dries=measure == "bedding_moisture",
    )


def plausible(measure: str) -> tuple[float, float]:
    """Lowest and highest value that a bin, brewer or room in a school plausibly has, in the unit of the measure."""
    return _HABITS[measure].suspect


def _spike(habits: _Habits, gap_ms: int) -> Thresholds:
    drift = habits.drift_per_h * gap_ms / MS["h"]
    return Thresholds(habits.jump.suspect + drift, habits.jump.fail + drift)


def _rate(habits: _Habits, every_ms: int) -> Thresholds:
    least = habits.noise / (every_ms / 1000)
    per_s = habits.per_min.suspect / 60, habits.per_min.fail / 60
    return Thresholds(max(per_s[0], least), max(per_s[1], 2 * least))


def _ds18b20_codes(measure: str, unit: str) -> tuple[tuple[float, ...], float]:
    """Codes as they come in the unit the probe sends; the degF code in any unit, since nodes mix the two up."""
    scale, offset = from_sent(measure, unit) or (1.0, 0.0)
    codes = tuple((code - offset) / scale for code in _DS18B20_CODES_C)
    return (*codes, _DS18B20_CODE_F), (_DS18B20_POWER_UP_C - offset) / scale


def _pinned(measure: str, unit: str) -> tuple[float, float] | None:
    if unit in ("V", "mV"):
        return (0.0, math.inf)
    return None if from_sent(measure, unit) else (0.0, _FULL_SCALE_COUNT)
