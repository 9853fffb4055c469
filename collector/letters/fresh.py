"""Which reading is fresh enough to act on."""

from collections.abc import Iterable

from collector.domain.lab import Series
from collector.domain.readings import StoredReading
from collector.letters.doubtful import is_usable

FRESH_MS = 6 * 3_600_000
"""Amounts follow from no older moisture than this: bedding changes by the day (common practice, no source)."""


def fresh_moisture(newest: Iterable[tuple[Series, StoredReading]], place: str, now_ms: int) -> float | None:
    """Moisture of the bedding at a place in % wet basis, by the newest usable reading of several probes; None where
    that is older than FRESH_MS. `newest`: the newest reading of each series, those of other places too."""
    here = (last for series, last in newest if (series.place, series.measure) == (place, "bedding_moisture"))
    last = max(filter(is_usable, here), key=lambda one: one.t_ms, default=None)
    return None if last is None or now_ms - last.t_ms > FRESH_MS else last.value
