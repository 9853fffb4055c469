"""Amounts: how much water or dry bedding brings a tray back to where worms do well. Pure."""

from dataclasses import dataclass
from typing import Protocol

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Rule
from collector.domain.lab import Lab, Place, PlaceKind, Series
from collector.domain.units import show_mass, show_value, show_volume
from collector.husbandry.moisture import dry_bedding_to_add_kg, water_to_add_l

GOAL_PCT = 77.5
"""Middle of the comfortable band of bedding moisture, 70 to 85 % wet basis (Kaplan et al. 1980; Edwards 2004, table
18.3, has 80 to 90 as best)."""
NOT_ABOVE_PCT = 85.0
"""Where dry bedding is to bring a tray that is too wet: the top of that band. Its middle would take more of it than a
tray has room for."""
A_DAY_L = 1.0
"""More in a day would run through rather than soak in (common practice, no source; the shipped rules say four cups)."""
_DRY_PCT = 8.0
"""Moisture of shredded cardboard and newspaper, 5 to 8 % (Cornell Composting)."""
_LEAST_L, _LEAST_KG = 0.05, 0.05
"""Less than this rounds to nothing."""


class Moistures(Protocol):
    """What an amount follows from; part of `LetterFacts`."""

    @property
    def lab(self) -> Lab:
        """The lab the places are of."""
        ...

    def place_moisture(self, place: str, now_ms: int) -> float | None:
        """The newest usable moisture of a tray, % wet basis; None where there is none or it is old."""
        ...


@dataclass(frozen=True, slots=True)
class Amount:
    """What to add to a tray, and how, a sentence or more each. `water_l`: how much of it is water."""

    deed: str
    how: str
    water_l: float = 0.0


def advice(rule: Rule, series: Series, facts: Moistures, now_ms: int) -> Amount | None:
    """What to add, and how much, for an alarm about the moisture of a tray. None where nothing can be said or nothing
    is needed."""
    place, dry = _tray(series, facts), _too_dry(rule, series)
    level = facts.place_moisture(series.place, now_ms) if dry is not None and place is not None else None
    if place is None or place.dry_kg is None or level is None:
        return None
    return _water(place.dry_kg, level, facts) if dry else _bedding(place.dry_kg, level, facts)


def lacks_mass(rule: Rule, series: Series, facts: Moistures) -> bool:
    """Whether an amount could be given if the lab file said what this tray's bedding weighs."""
    place = _tray(series, facts)
    return place is not None and place.dry_kg is None and _too_dry(rule, series) is not None


def _tray(series: Series, facts: Moistures) -> Place | None:
    place = facts.lab.by_id.get(series.place)
    return place if place is not None and place.kind is PlaceKind.TRAY else None


def _too_dry(rule: Rule, series: Series) -> bool | None:
    """False: too wet. None: neither."""
    if series.measure != "bedding_moisture":
        return None
    return direction(rule) < 0 if kind_of(rule).about in (About.LEVEL, About.COURSE) else None


def _water(dry_kg: float, level: float, facts: Moistures) -> Amount | None:
    amount_l = water_to_add_l(dry_kg, level, GOAL_PCT)
    if amount_l is None or amount_l < _LEAST_L:
        return None
    us = facts.lab.us_units
    daily = f", no more than {show_volume(A_DAY_L, us)} of it a day" if amount_l > A_DAY_L else ""
    return Amount(
        f"Add about {show_volume(amount_l, us)} of water over the whole tray{daily}.",
        f"That takes it from {_pct(level)} to about {_pct(GOAL_PCT)}. Spray it in portions of a cup, an hour between"
        " them, and look at the drain before each.",
        amount_l,
    )


def _bedding(dry_kg: float, level: float, facts: Moistures) -> Amount | None:
    amount_kg = dry_bedding_to_add_kg(dry_kg, level, NOT_ABOVE_PCT, _DRY_PCT)
    if amount_kg is None or amount_kg < _LEAST_KG:
        return None
    return Amount(
        f"Mix in about {show_mass(amount_kg, facts.lab.us_units)} of dry shredded cardboard or newspaper over the whole"
        " tray.",
        f"That takes it from {_pct(level)} to about {_pct(NOT_ABOVE_PCT)}. Add no water. Nearly finished castings get"
        " no paper: let them drain, or harvest them.",
    )


def _pct(value: float) -> str:
    return show_value("bedding_moisture", value)
