"""Spans that hold as often as they say, learned from the errors made."""

import math
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.foresight.conformal import Adaptive, ByHorizon, CameOut, prior_scores

FORECASTS = 4_000


def autocorrelated(seed: int, memory: float) -> Iterator[float]:
    """Errors that hang together: each is mostly the one before."""
    noise = np.random.default_rng(seed)
    error = 0.0
    for _ in range(FORECASTS):
        error = memory * error + noise.normal()
        yield error


def growing(seed: int) -> Iterator[float]:
    """Errors that hang together and grow fivefold half way through, as after the heating is turned off."""
    for n, error in enumerate(autocorrelated(seed, 0.9)):
        yield error * (5 if n > FORECASTS // 2 else 1)


def heavy(seed: int) -> Iterator[float]:
    """Errors mostly small, now and then enormous."""
    noise = np.random.default_rng(seed)
    for _ in range(FORECASTS):
        yield noise.standard_cauchy()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("scale", [0.1, 1.0, 10.0])
@pytest.mark.parametrize(
    "errors",
    [lambda seed: autocorrelated(seed, 0.0), lambda seed: autocorrelated(seed, 0.95), growing, heavy],
    ids=["independent", "hang together", "grow", "heavy tails"],
)
def test_a_span_of_8_in_10_holds_75_to_85_of_100_times(errors, scale: float, seed: int) -> None:  # type: ignore[no-untyped-def]
    """However the errors hang together or grow, and however wrong the scale stated was."""
    ends = Adaptive(prior_scores())
    held = 0
    for error in errors(seed):
        held += abs(error) / scale <= ends.half_width
        ends.note(abs(error) / scale)
    assert 0.75 <= held / FORECASTS <= 0.85


def test_before_any_error_the_prior_stands_in() -> None:
    """80 % of a normal error of scale 1 lie within 1.28 of them; of twenty scores the conformal rank is the 17th."""
    assert Adaptive(prior_scores()).half_width == pytest.approx(1.36, abs=0.01)


def test_without_anything_known_no_span_is_told() -> None:
    """No score at all vouches for nothing, and three cannot vouch for 8 in 10."""
    assert Adaptive().half_width == math.inf
    assert Adaptive([1.0, 2.0, 3.0]).half_width == math.inf
    assert Adaptive([1.0, 2.0, 3.0, 4.0]).half_width == 4.0


def test_spans_that_always_hold_come_to_none_at_all() -> None:
    """With a large step the level passes 1 after spans that hold, and one that misses brings the span back."""
    ends = Adaptive(prior_scores(), step=0.9)
    for _ in range(6):
        ends.note_outcome(1.0, missed=False)
    assert ends.half_width == -math.inf
    ends.note(0.0)
    assert ends.half_width >= 0.0


@given(st.lists(st.floats(0, 1e9), max_size=300), st.sampled_from([0.005, 0.02, 0.2]))
def test_the_share_that_missed_is_bounded_whatever_happens(scores: list[float], step: float) -> None:
    """Proposition 4.1 of Gibbs and Candes 2021, on errors that an opponent might choose."""
    ends = Adaptive(prior_scores(), step=step)
    missed = 0
    for score in scores:
        missed += score > ends.half_width
        ends.note(score)
    if scores:
        assert abs(missed / len(scores) - 0.2) <= (0.8 + step) / (step * len(scores)) + 1e-9


def came_out(ahead: float, scale: float) -> list[CameOut]:
    """Forecasts that came out anywhere up to `scale` off."""
    noise = np.random.default_rng(5)
    return [CameOut(n, ahead, noise.uniform(0, scale)) for n in range(250)]


def test_each_horizon_learns_from_its_own_errors() -> None:
    """Near forecasts that were good and far ones that were bad; the order in which they came to be known counts, not
    that in which they are given."""
    spans = ByHorizon((1.0, 3.0), [*reversed(came_out(2.9, 10.0)), *came_out(1.1, 0.1)])
    near, far = spans.half_width(1.0), spans.half_width(3.0)
    assert 0.06 < near < 0.1
    assert 6.0 < far < 10.0
    assert spans.half_width(0.2) == near
    assert spans.half_width(30.0) == far
    assert spans.half_width(2.0) == pytest.approx((near + far) / 2)
    assert ByHorizon((1.0, 3.0), [*came_out(2.9, 10.0), *came_out(1.1, 0.1)]).half_width(3.0) == far


def test_a_horizon_without_errors_of_its_own_keeps_the_prior() -> None:
    """What is known of tomorrow says nothing of next week."""
    spans = ByHorizon((1.0, 7.0), came_out(1.0, 0.1))
    assert spans.half_width(7.0) == Adaptive(prior_scores()).half_width


def test_where_one_horizon_cannot_be_told_nothing_between_is() -> None:
    """Misses without end leave no span that holds."""
    ever_worse = [CameOut(n, 2.0, 10.0 * n) for n in range(1, 30)]
    spans = ByHorizon((1.0, 2.0), ever_worse)
    assert spans.half_width(2.0) == math.inf
    assert spans.half_width(1.5) == math.inf
    assert spans.half_width(1.0) < 2.0
