"""How much bedding a tray holds, learned from what was put into it; and how full of water it is.

Water and feed change the moisture by as much as there is bedding to share it. With D dry matter, and w the water for
each kg dry before and after, adding a kg of water and b kg of dry matter gives

    w2 = (w1 D + a) / (D + b)        D = (a - b w2) / (w2 - w1)

so each watering or feeding of a known amount weighs the tray. Its error follows from the step in moisture: half a point
of noise in a step of one says little, in a step of five a lot. A weighing is one more observation of the same kind.
"""

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from collector.husbandry.bounds import Range
from collector.husbandry.moisture import dry_basis_pct

FEED_WATER = 0.85
"""Water in kitchen scraps, mass fraction: vegetable waste is at 87 % (from memory)."""
AMOUNT_OFF = 0.1
"""What a class notes as a litre is one within 10 % (common practice, no source)."""
PROBE_OFF = 0.125
"""All steps are told by one probe whose slope may be off by 10 % (common practice, no source). In water for each kg dry
that is an eighth of a step of five points, and no number of waterings tells the mass better."""
WEIGHED_OFF = 0.05
_NOISE_PCT = 0.3
"""Noise of the mean of some hours before or after (common practice, no source)."""
_WORST = 0.5
"""An observation that may be off by more than half of it says nothing."""
_Z = 1.645
"""Ends of the range that holds nine times in ten."""
PLAIN_FULL_PCT = 90.2
"""Full where no sample said: 9.25 kg of water for each kg dry, the middle of what coir dust takes up, 7.5 to 11 (Evans
et al. 1996)."""


class MassSeen(NamedTuple):
    """One observation of a dry mass, kg, and by what share of it it may be off (one standard deviation)."""

    dry_kg: float
    off: float
    weighed: bool = False


def poured(litres: float, before_pct: float, after_pct: float) -> MassSeen | None:
    """The dry mass by a watering; None where the step tells nothing."""
    return _added(litres, 0.0, before_pct, after_pct)


def fed(kg: float, before_pct: float, after_pct: float) -> MassSeen | None:
    """The dry mass by a feeding, once it is spread; None where the step tells nothing."""
    return _added(FEED_WATER * kg, (1 - FEED_WATER) * kg, before_pct, after_pct)


def weighed(wet_kg: float, moisture_pct: float) -> MassSeen:
    """The dry mass by a weighing at a moisture."""
    return MassSeen(wet_kg * (1 - moisture_pct / 100), WEIGHED_OFF, weighed=True)


def _added(water_kg: float, dry_kg: float, before_pct: float, after_pct: float) -> MassSeen | None:
    before, after = (dry_basis_pct(pct) / 100 for pct in (before_pct, after_pct))
    step = after - before
    there = water_kg - dry_kg * after
    if step <= 0 or there <= 0:
        return None
    noise = math.hypot(*(_NOISE_PCT / 100 * (1 + basis) ** 2 for basis in (before, after)))
    off = math.hypot(AMOUNT_OFF, noise / step)
    return MassSeen(there / step, off) if off <= _WORST else None


def learned(seen: Iterable[MassSeen]) -> Range | None:
    """The dry mass by all observations, kg, with the range that holds nine times in ten; None without any. Each counts
    by how sure it is; where they differ by more than that explains, the range is as wide as they scatter."""
    known = list(seen)
    if not known:
        return None
    weights = [seen.off**-2 for seen in known]
    middle = sum(w * math.log(seen.dry_kg) for w, seen in zip(weights, known, strict=True)) / sum(weights)
    scatter = _scatter(known, middle)
    common = 0.0 if any(seen.weighed for seen in known) else PROBE_OFF
    off = _Z * math.hypot(math.sqrt(scatter / sum(weights)), common)
    return Range(math.exp(middle - off), math.exp(middle), math.exp(middle + off))


def _scatter(known: Sequence[MassSeen], middle: float) -> float:
    """How much more they scatter than their own errors explain, in variance; 1 at least."""
    squares = sum(((math.log(seen.dry_kg) - middle) / seen.off) ** 2 for seen in known)
    return max(1.0, squares / max(1, len(known) - 1))


def share_of_full(level_pct: float, full_pct: float = PLAIN_FULL_PCT) -> float:
    """Water in a tray as a share of what its bedding can hold, by mass; `full_pct` is the moisture of a soaked sample
    that has stopped dripping. 1 at least where it stands in water."""
    return dry_basis_pct(level_pct) / dry_basis_pct(full_pct)


def limit_for(plain_pct: float, full_pct: float) -> float:
    """The moisture at which a bedding with another top is as wet, by share, as plain bedding at a plain limit: a tray
    of castings that is full at 82 % is at 78.4 % what paper and coir are at 88 %."""
    share = share_of_full(plain_pct) * dry_basis_pct(full_pct)
    return 100 * share / (100 + share)
