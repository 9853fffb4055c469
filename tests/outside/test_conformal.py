"""Adaptive spans against the paper they are from, by code written from its text alone.

Gibbs, I., Candes, E. (2021): Adaptive conformal inference under distribution shift. NeurIPS 34. Equation 2 (the
update), section 2 (the set of all y whose score is within the quantile), proposition 4.1 (what holds in the long run).
Quantile with the correction for finite samples: Lei et al. (2018), Distribution-free predictive inference for
regression. Both from memory. No library is taken: this is all there is to it, and what forecast libraries bring along
is large.
"""

import numpy as np
import pytest

from collector.domain.foresight.conformal import Adaptive


def by_the_paper(scores: np.ndarray, first: np.ndarray, allowed: float, gamma: float, keep: int) -> list[tuple]:  # type: ignore[type-arg]
    """(level, whether it missed) at each time, with all written out: the set is walked by its definition, no
    quantile function is used."""
    alpha, found = allowed, []
    for t in range(len(scores)):
        past = np.concatenate([first, scores[:t]])[-keep:]
        # y is in the set as long as the share of past scores (and itself) that are at least as odd exceeds alpha
        at_least_as_odd = (1 + np.count_nonzero(past >= scores[t])) / (past.size + 1)
        missed = alpha >= 1 or at_least_as_odd <= alpha + 1e-9
        found.append((alpha, bool(missed)))
        alpha = alpha + gamma * (allowed - missed)
    return found


@pytest.mark.parametrize("gamma", [0.005, 0.02, 0.1])
@pytest.mark.parametrize("memory", [0.0, 0.9, 0.99])
def test_levels_and_misses_are_those_of_the_paper(gamma: float, memory: float) -> None:
    """Step for step over errors that hang together, from a prior on."""
    noise = np.random.default_rng(7).normal(size=1_500)
    errors = np.zeros(noise.size)
    for n in range(1, noise.size):
        errors[n] = memory * errors[n - 1] + noise[n]
    scores, first = np.abs(errors), np.linspace(0.1, 2.0, 20)
    ours = Adaptive(first.tolist(), step=gamma, keep=150)
    found = []
    for score in scores.tolist():
        found.append(score > ours.half_width)
        ours.note(score)
    expected = [missed for _, missed in by_the_paper(scores, first, 0.2, gamma, 150)]
    assert found == expected
    assert abs(float(np.mean(found)) - 0.2) <= (0.8 + gamma) / (gamma * len(found))
