"""Waits before another attempt: they double up to the longest, and chance takes off no more than its part."""

from hypothesis import given
from hypothesis import strategies as st

from collector.domain.backoff import Backoff

BACKOFFS = st.builds(
    Backoff, first=st.floats(0.01, 100), longest=st.floats(100, 1e7), spread=st.floats(0, 1, exclude_max=True)
)
FAILURES = st.integers(0, 100_000)
JITTER = st.floats(0, 1)


@given(backoff=BACKOFFS, failures=FAILURES, jitter=JITTER)
def test_a_wait_lies_between_its_spread_and_the_longest(backoff: Backoff, failures: int, jitter: float) -> None:
    """However often it failed: never none, never more than the longest, and chance takes off its part at most."""
    whole = backoff.wait(failures, 1)
    assert whole <= backoff.longest
    assert whole * (1 - backoff.spread) * 0.999_999 <= backoff.wait(failures, jitter) <= whole
    assert backoff.wait(failures, jitter) > 0


@given(backoff=BACKOFFS, failures=FAILURES, jitter=JITTER, more=JITTER)
def test_more_failures_wait_longer_and_so_does_more_jitter(
    backoff: Backoff, failures: int, jitter: float, more: float
) -> None:
    """The order of waits is that of failures, and of what chance drew."""
    assert backoff.wait(failures, jitter) <= backoff.wait(failures + 1, jitter)
    low, high = sorted((jitter, more))
    assert backoff.wait(failures, low) <= backoff.wait(failures, high)


def test_waits_double_from_the_first_to_the_longest() -> None:
    """Without chance: 1, 2, 4 and so on, then the longest for ever."""
    backoff = Backoff(first=1, longest=30, spread=0.5)
    assert [backoff.wait(failures, 1) for failures in range(7)] == [1, 2, 4, 8, 16, 30, 30]
    assert [backoff.wait(failures, 0) for failures in range(3)] == [0.5, 1, 2]
