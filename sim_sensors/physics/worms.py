"""*Eisenia fetida*: growth, food, flight and death of the worms of a tray.

Worms are counted in kg of living worms beside the bedding: what they take up in growing and give back in dying is
some per cent of the feed and left out of the balances of water and dry matter.
"""

import math
from dataclasses import dataclass

DAY_S = 86_400.0

DENSITY_KG_M2 = 10.0
"""Density at which growth ends: 5-10 kg/m2 is an established bin; breeding slows above 5 (vermiculture manuals)."""
EATS_PER_DAY = 0.5
"""Feed a day as a share of their own mass (common feeding guides; schools 0.21-0.36)."""
HUNGRY_PER_DAY = 0.25
"""With less feed at hand than this share of their mass they do not multiply at the full rate (school guides)."""
CRAWL_PER_DAY = 4.0
"""Share of the worms that leaves, a day, for a neighbouring tray that suits them wholly where theirs does not at all
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Living:
    """What a tray is to its worms."""

    temp_c: float
    moisture_pct: float
    air_share: float
    """Share of the pores that holds air."""


def suits(place: Living) -> float:
    """How well a tray suits them, 0 not at all to 1: by what is worst about it. Full at 15-25 degC and 70-88 % wet
    basis, nothing outside 4-30 degC and 60-90 % (Edwards 2004, table 18.3; extension guides for the full range)."""
    return min(
        _within(place.temp_c, 4, 15, 25, 30),
        _within(place.moisture_pct, 60, 70, 88, 90),
        min(1.0, place.air_share / AIRLESS),
    )


def _within(value: float, low: float, low_best: float, high_best: float, high: float) -> float:
    return max(0.0, min(1.0, (value - low) / (low_best - low), (high - value) / (high - high_best)))


AIRLESS = 0.10
"""With less of its pores in air than this, bedding lets too little oxygen through: the usual bound for soils (Grable
and Siemer 1968, from memory)."""


def dying_per_day(place: Living) -> float:
    """Share of the worms that dies, per day. Nothing inside 4-30 degC and 60-90 %; 35 degC is lethal (half a day's
    worms a day, rising fast), frost kills within hours; 50 % is the end of survival when dry; in airless bedding they
    are dead within days. Ends of the ranges: Edwards 2004, table 18.3, FAO 2011; the rates: common practice, no
    source."""
    hot = max(0.0, (place.temp_c - 30) / 5)
    cold = max(0.0, (4 - place.temp_c) / 4)
    dry = max(0.0, (60 - place.moisture_pct) / 10)
    airless = max(0.0, 1 - place.air_share / AIRLESS)
    return 0.5 * hot**4 + 0.2 * cold**2 + (5.0 if place.temp_c < 0 else 0.0) + 0.1 * dry**2 + 0.5 * airless


def grown(kg: float, area_m2: float, suit: float, food_kg: float, doubling_d: float, seconds: float) -> float:
    """Worms `seconds` later, kg: N 2^(t/Td), Td 60-90 d under good conditions, slower where the tray suits them less
    or food is short, and above half the density a tray carries, until nothing is gained at DENSITY_KG_M2."""
    if kg <= 0:
        return 0.0
    fed = min(1.0, food_kg / (HUNGRY_PER_DAY * kg))
    room = max(0.0, min(1.0, 2 * (1 - kg / (DENSITY_KG_M2 * area_m2))))
    return kg * 2 ** (suit * fed * room * seconds / (doubling_d * DAY_S))


def dead(kg: float, per_day: float, seconds: float) -> float:
    """Worms that die meanwhile, kg."""
    return kg * -math.expm1(-per_day * seconds / DAY_S)


def hunger_kg(kg: float, suit: float, seconds: float) -> float:
    """Rotting feed they eat if they find it, kg."""
    return EATS_PER_DAY * kg * suit * seconds / DAY_S


def leaving(kg: float, here: float, there: float, seconds: float) -> float:
    """Worms that move to a neighbouring tray that suits them better, kg; `here` and `there` as from `suits`."""
    return kg * -math.expm1(-CRAWL_PER_DAY * max(0.0, there - here) * seconds / DAY_S)
