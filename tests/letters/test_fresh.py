"""Which moisture amounts may follow from."""

from dataclasses import replace

import pytest

from collector.domain.lab import Series
from collector.domain.readings import Flag, StoredReading
from collector.letters.fresh import FRESH_MS, fresh_moisture

NOW = 1_772_438_400_000
MOISTURE = Series(id=4, probe="a", channel="moisture", measure="bedding_moisture", place="juniper/top", unit="%")
GOOD = StoredReading(series=4, t_ms=NOW - 1_000, value=72.0, flag=Flag.PASS, raw=None, why=0)


@pytest.mark.parametrize(
    ("newest", "moisture"),
    [
        ((), None),
        (((MOISTURE, GOOD),), 72.0),
        (((MOISTURE, replace(GOOD, t_ms=NOW - FRESH_MS)),), 72.0),
        (((MOISTURE, replace(GOOD, t_ms=NOW - FRESH_MS - 1)),), None),
        (((MOISTURE, replace(GOOD, flag=Flag.FAIL)),), None),
        (((MOISTURE, GOOD), (replace(MOISTURE, id=9), replace(GOOD, value=60.0, t_ms=NOW))), 60.0),
        (((MOISTURE, GOOD), (replace(MOISTURE, id=9), replace(GOOD, flag=Flag.FAIL, t_ms=NOW))), 72.0),
        (((replace(MOISTURE, place="maple/top"), GOOD),), None),
        (((replace(MOISTURE, measure="bedding_temperature"), GOOD),), None),
    ],
)
def test_of_several_probes_the_newest_usable_reading_counts(
    newest: tuple[tuple[Series, StoredReading], ...], moisture: float | None
) -> None:
    """Of the place asked for alone, and none older than six hours."""
    assert fresh_moisture(newest, "juniper/top", NOW) == moisture
