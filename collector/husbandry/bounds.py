"""How much may be advised, so that doing as told does no harm whatever the probe's error and the tray's mass.

An amount follows from a moisture and a mass, and neither is known exactly. Near the wet end a point of moisture is a
great deal of water: at 85 % wet basis it is 7 % of the bed's mass. So what is told is the middle of what may be needed,
cut to what is safe at the bad ends of both: water as if the tray were as wet and as light as it may be, dry bedding as
if it were as dry and as light as it may be. Where that is less than what may be needed, it is a first step: look again
in an hour, when the probe has seen what came of it.

Moisture in % wet basis, masses in kg; a litre of water is 1 kg.
"""

from dataclasses import dataclass
from typing import NamedTuple

from collector.husbandry.moisture import dry_bedding_to_add_kg, second_material_kg, water_change_l, wet_kg

SAFE_LOW_PCT, SAFE_HIGH_PCT = 60.0, 88.0
"""No amount told takes a tray outside: 60 % is the dry limit of Edwards (2004, table 18.3), 88 % where coir dust is
nearly full (Evans et al. 1996: it takes up 7.5 to 11 times its dry mass)."""
SATURATED_PCT = 88.0
"""From here on a probe tells of free water, and moisture says little of mass: drain, and mix in a handful."""
HANDFUL_KG = 0.05
A_DAY_L = 1.0
"""More in a day would run through rather than soak in (common practice, no source)."""
MOST_BEDDING = 1 / 3
"""So much of a tray's own mass in dry bedding at most: more would be another tray."""
WEIGHED, ESTIMATED = 1.15, 1.6
"""A weighed mass is taken to be right within 15 % (bedding rots, castings go), one from the tray's size within a factor
of 1.6 (common practice, no source)."""
PROBE_PCT, OWN_SCALE_PCT = 3.0, 5.0
"""Assumed of probes: one calibrated in this lab holds within 3 points of moisture, as data sheets have it for the soil
that they were calibrated in (2 to 4). One that goes by its maker's scale may be further off in bedding, which is no
soil. Common practice, no source."""
_HALF_L, _HALF_KG = 0.05, 0.05
"""Amounts are told to a tenth of a litre or a kilogram: less than half of that would be told as nothing, and what is
told may be so much more than what was worked out."""


class Range(NamedTuple):
    """What a quantity may be: low end, middle, high end."""

    low: float
    about: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A tray as it is known. `level_pct` by the probe, `dry_kg` dry mass of the bedding."""

    level_pct: Range
    dry_kg: Range
    full_pct: float = SATURATED_PCT
    """Where its bedding can hold no more, % wet basis; the plain figure where no sample said."""
    beyond_points: bool = False
    """Whether the probe's count lies outside its calibrated points."""
    hand_says_other: bool = False
    """Whether a hand has felt otherwise than the probe says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeStep:
    """An amount, litres or kg, to add now. `needed`: what the middle of all that may be asks for in all."""

    now: float
    needed: float
    drain: bool = False
    """Whether it must drain first: too wet for an amount to follow from its moisture."""

    look_again: bool = False
    """Whether the whole of it may be too much: a step is taken, and the tray is looked at anew before the next."""


def level_range(level_pct: float, error_pct: float = PROBE_PCT) -> Range:
    """A moisture by a probe that is off by so many points at most; no bedding is beyond 0 and 99 %."""
    low, about, high = (min(99.0, max(0.0, level_pct + off)) for off in (-error_pct, 0.0, error_pct))
    return Range(low, about, high)


def mass_range(dry_kg: float, weighed: bool) -> Range:
    """Dry mass, as it was weighed once or follows from the tray's size."""
    factor = WEIGHED if weighed else ESTIMATED
    return Range(dry_kg / factor, dry_kg, dry_kg * factor)


def water_step(known: Known, goal_pct: float, today_l: float = A_DAY_L) -> SafeStep | None:
    """Water to pour now, on the way to `goal_pct`, of `today_l` at most: what is needed beyond that is for the next
    days, all of it safe unless it says to look again. None where no amount can be told: there is none to add, the probe
    cannot be gone by, or the least that is worth pouring may be too much."""
    if _unsure(known) or not known.level_pct.about < goal_pct:
        return None
    top = min(SAFE_HIGH_PCT, known.full_pct)
    if known.level_pct.high >= top:
        return None
    needed = water_change_l(known.dry_kg.about, known.level_pct.about, min(goal_pct, top))
    safe = water_change_l(known.dry_kg.low, known.level_pct.high, top) - _HALF_L
    now = min(needed, safe, today_l)
    return SafeStep(now=now, needed=needed, look_again=safe < needed) if now >= _HALF_L else None


def bedding_step(known: Known, goal_pct: float, bedding_pct: float) -> SafeStep | None:
    """Dry bedding of moisture `bedding_pct` to mix in now, on the way down to `goal_pct`. None where none is to be
    added or the probe cannot be gone by. A tray that is full is to drain, and gets a handful."""
    if _unsure(known) or not known.level_pct.about > goal_pct:
        return None
    safe = _safe_bedding_kg(known, bedding_pct)
    if known.level_pct.about >= min(SATURATED_PCT, known.full_pct):
        return SafeStep(now=min(HANDFUL_KG, safe), needed=HANDFUL_KG, drain=True)
    needed = dry_bedding_to_add_kg(known.dry_kg.about, known.level_pct.about, goal_pct, bedding_pct) or 0.0
    now = min(needed, safe - _HALF_KG)
    return SafeStep(now=now, needed=needed, look_again=now < needed) if now >= _HALF_KG else None


def _safe_bedding_kg(known: Known, bedding_pct: float) -> float:
    """What leaves the tray in the safe band if it is as dry and as light as it may be, and a third of its mass at
    most."""
    mass_kg = wet_kg(known.dry_kg.low, known.level_pct.low)
    to_the_floor = second_material_kg(mass_kg, known.level_pct.low, bedding_pct, SAFE_LOW_PCT)
    return min(MOST_BEDDING * mass_kg, to_the_floor or 0.0)


def _unsure(known: Known) -> bool:
    """Whether no amount follows: nobody knows what a count beyond the calibrated points means, a hand is believed
    before a probe, and an error wider than the safe band leaves no step that is safe."""
    too_wide = known.level_pct.high - known.level_pct.low > SAFE_HIGH_PCT - SAFE_LOW_PCT
    return known.beyond_points or known.hand_says_other or too_wide
