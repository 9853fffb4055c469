"""What a doubtful reading means, in words."""

from collector.domain.readings import Flag, StoredReading, Why
from collector.letters.doubtful import is_usable, why_doubtful
from tests.letters.examples import LAB, TOP_MOISTURE


def test_a_raw_number_says_that_it_is_not_calibrated() -> None:
    """It is flagged not evaluated, which by itself is no doubt, and it has no value to show."""
    raw = StoredReading(series=4, t_ms=0, value=None, flag=Flag.NOT_EVALUATED, raw=1800.0, why=int(Why.UNCALIBRATED))
    assert not is_usable(raw)
    assert why_doubtful(raw, TOP_MOISTURE, LAB) == "a raw number, not calibrated yet"
