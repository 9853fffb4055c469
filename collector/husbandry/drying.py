"""How a tray dries: by the vapour pressure deficit between its bedding and the room, with one coefficient of its own.

    d(water / dry matter)/dt = -c D        D in kPa, c in kg of water a day for each kg dry and kPa

Published forms of c spread 2.4 times in still air, and lids and blankets do the rest, so c is fitted to the tray's own
record: the median of the slopes between all pairs of points that lie far enough apart, each weighted by how far
(after Theil 1950 and Sen 1968), within stretches in which nobody stirred it. Stirring is what the diary notes, and any
jump of the probe. Little record pulls c towards nothing, since a short move foretells little.

How far off such forecasts are is learned from those that would have been made before, at each horizon.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.domain.foresight.conformal import ByHorizon, CameOut
from collector.husbandry import rhythm
from collector.husbandry.air import Numbers, deficit_kpa

DAY_H = 24
SETTLES_H = 6
"""Water takes so long to spread through a tray; until then figures tell of the pouring (common practice, no source)."""
JUMP_PCT = 1.0
"""More than this from hour to hour no bedding does by itself: an open tray of 5 kg loses 0.25 kg in a day."""
FIT_H = 10 * DAY_H
LEARNED_H = 28 * DAY_H
"""Forecasts so old still say how far off forecasts are."""
HORIZONS_D = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0)
ASSUMED_HUMIDITY_PCT, ASSUMED_C = 50.0, 20.0
_EACH_H = 6
_BLOCK_H = 3
_APART = 0.4
"""Points nearer in drying, kPa days, say little about its pace: a third of a day in usual air."""
_PULL = 0.25
"""Drying seen, kPa days, that weighs as much as knowing nothing (common practice, no source)."""
_LEVEL_H = 12
FRESH_H = 3
"""Fewer hours since a tray was stirred do not say where it is."""
_SCALE_PCT, _SCALE_PCT_DAY = 0.5, 0.7
"""What forecasts are taken to be off by before any came out: half a point of the probe, and 0.7 points a day (common
practice, no source)."""

Flags = NDArray[np.bool_]


class Assumed(Enum):
    """What nobody measures, and what was taken in its place."""

    HUMIDITY = "humidity"
    ROOM = "room"
    BED = "bed"


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayHours:
    """Hourly means of one tray and its room, the last one that of the hour now; NaN where unknown. `stirred`: hours in
    which somebody watered, fed or moved it."""

    moisture_pct: Numbers
    bed_c: Numbers
    room_c: Numbers
    humidity_pct: Numbers
    stirred: Flags


class Drive(NamedTuple):
    """The deficit of each hour, kPa, and what was assumed for it."""

    kpa: Numbers
    assumed: tuple[Assumed, ...]


class Path(NamedTuple):
    """Moisture to come, % wet basis: now, and at the end of each hour; with the ends of the span that holds 8 of 10
    times, infinite where errors made vouch for none."""

    about: Numbers
    low: Numbers
    high: Numbers


def drive(hours: TrayHours) -> Drive:
    """What dries the tray in each hour. Hours unknown are drawn between those known."""
    assumed = []
    room, bed = _filled(hours.room_c), _filled(hours.bed_c)
    humidity = _filled(hours.humidity_pct)
    if humidity is None:
        assumed.append(Assumed.HUMIDITY)
        humidity = np.full(hours.moisture_pct.size, ASSUMED_HUMIDITY_PCT)
    if room is None:
        assumed.append(Assumed.ROOM)
        room = bed if bed is not None else np.full(hours.moisture_pct.size, ASSUMED_C)
    if bed is None:
        assumed.append(Assumed.BED)
        bed = room
    return Drive(deficit_kpa(bed, room, humidity), tuple(assumed))


def _filled(values: Numbers) -> Numbers | None:
    known = np.flatnonzero(~np.isnan(values))
    if not known.size:
        return None
    found: Numbers = np.interp(np.arange(values.size), known, values[known])
    return found


def stretches(hours: TrayHours) -> NDArray[np.int64]:
    """A number for each hour, one for each stretch in which the tray was left to itself; -1 where it was not, or where
    its moisture is unknown."""
    known = np.flatnonzero(~np.isnan(hours.moisture_pct))
    moved = np.zeros(hours.moisture_pct.size, np.bool_)
    if known.size:
        steps = np.abs(np.diff(hours.moisture_pct[known])) > JUMP_PCT * np.sqrt(np.diff(known))
        moved[known[1:][steps]] = True
    moved |= hours.stirred
    label = np.cumsum(moved)
    since = np.arange(moved.size) - np.maximum.accumulate(np.where(moved, np.arange(moved.size), -SETTLES_H))
    usable = (since >= SETTLES_H) & ~np.isnan(hours.moisture_pct)
    return np.where(usable, label, -1)


class Dryer:
    """A tray's record made ready: what it can say from any hour on."""

    __slots__ = ("_label", "_moisture", "_sum", "_water", "kpa")

    def __init__(self, hours: TrayHours, kpa: Numbers) -> None:
        self.kpa = kpa
        self._moisture = hours.moisture_pct
        self._water = water_share(hours.moisture_pct)
        self._sum = np.cumsum(kpa) / DAY_H
        self._label = stretches(hours)

    def coefficient(self, end: int) -> float | None:
        """c from the hours before `end`; None where none of them says anything."""
        begin = max(0, end - FIT_H)
        at, kpa_d, water = self._blocks(begin, end)
        later, earlier = np.tril_indices(at.size, -1)
        apart = kpa_d[later] - kpa_d[earlier]
        use = (at[later] == at[earlier]) & (apart >= _APART)
        if not np.any(use):
            return None
        slopes = ((water[earlier] - water[later])[use]) / apart[use]
        middle = _weighted_median(slopes, apart[use])
        seen = sum(float(np.ptp(kpa_d[at == block])) for block in np.unique(at))
        return max(0.0, middle) * seen / (seen + _PULL)

    def _blocks(self, begin: int, end: int) -> tuple[NDArray[np.int64], Numbers, Numbers]:
        """(stretch, drying so far in kPa days, water for each kg dry), a mean for each few hours of one stretch."""
        use = begin + np.flatnonzero(self._label[begin:end] >= 0)
        label = self._label[use]
        key = label * (self._label.size + 1) + use // _BLOCK_H
        _, first, which, count = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
        kpa_d = np.bincount(which, self._sum[use]) / count
        return label[first], kpa_d, np.bincount(which, self._water[use]) / count

    def about(self, end: int, ahead_h: int) -> Numbers | None:
        """Moisture now and in each of the hours to come, as the hours before `end` foretell it; None where they do
        not."""
        recent = np.arange(max(0, end - _LEVEL_H), end)
        recent = recent[(self._label[recent] >= 0) & (self._label[recent] == self._label[end - 1])]
        c = self.coefficient(end) if recent.size >= FRESH_H else None
        if c is None:
            return None
        water = float(np.median(self._water[recent] - c * (self._sum[end - 1] - self._sum[recent])))
        kpa_d = np.cumsum(np.maximum(rhythm.foretell(self.kpa[max(0, end - LEARNED_H) : end], ahead_h), 0.0)) / DAY_H
        return moisture_pct(np.maximum(water - c * np.concatenate([[0.0], kpa_d]), 0.0))

    def came_out(self, end: int) -> Iterator[CameOut]:
        """How forecasts made before would have come out by now, of a tray that nobody stirred meanwhile. `known_ms` is
        the number of the hour."""
        farthest = round(HORIZONS_D[-1] * DAY_H)
        for origin in range(max(FRESH_H, end - LEARNED_H), end, _EACH_H):
            ahead = [round(days * DAY_H) for days in HORIZONS_D]
            targets = [origin - 1 + hours for hours in ahead]
            undisturbed = [
                hours
                for hours, target in zip(ahead, targets, strict=True)
                if target < end and self._label[target] == self._label[origin - 1] >= 0
            ]
            about = self.about(origin, farthest) if undisturbed else None
            if about is not None:
                for hours in undisturbed:
                    off = abs(float(self._moisture[origin - 1 + hours] - about[hours]))
                    days = hours / DAY_H
                    yield CameOut(origin - 1 + hours, days, off / scale_pct(days))


def scale_pct(days: float) -> float:
    """What a forecast so far ahead is off by before any came out, points."""
    return _SCALE_PCT + _SCALE_PCT_DAY * days


def spanned(about: Numbers, spans: ByHorizon) -> Path:
    """The path with its span: as wide as errors made ask for."""
    days = np.arange(about.size) / DAY_H
    half = np.array([spans.half_width(float(day)) * scale_pct(float(day)) for day in days])
    return Path(about, np.maximum(about - half, 0.0), np.minimum(about + half, 100.0))


def water_share(moisture: Numbers) -> Numbers:
    """kg of water for each kg dry, of moisture in % wet basis; more than 99 % counts as 99 %."""
    wet = np.minimum(moisture, 99.0)
    found: Numbers = wet / (100.0 - wet)
    return found


def moisture_pct(water: Numbers) -> Numbers:
    """% wet basis, of kg of water for each kg dry."""
    found: Numbers = 100.0 * water / (1.0 + water)
    return found


def _weighted_median(values: Numbers, weights: Numbers) -> float:
    order = np.argsort(values, kind="stable")
    passed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(passed, 0.5 * passed[-1])])
