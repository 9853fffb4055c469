"""How wide a span must be to hold so many times in ten, learned from how far earlier forecasts were off.

Adaptive conformal inference (Gibbs and Candes 2021, "Adaptive conformal inference under distribution shift"): the
half-width is a quantile of the errors made so far, and the level of that quantile moves after each forecast that came
out, down by a step of the allowed share where the span held and up by the rest where it did not:

    alpha' = alpha + step * (allowed - missed)        missed: 1 where the truth lay outside, else 0

Nothing is assumed of the errors, neither that they are independent nor how they are distributed. Over T forecasts the
share that missed is within (max(alpha, 1 - alpha) + step) / (step * T) of what is allowed, whatever happens
(proposition 4.1 there).

Errors are scores: divided by a scale the forecaster states (points by day ahead, say), so that one set of errors serves
near and far. Until there are own errors a prior stands in: scores as of a normal error with that scale.
"""

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from statistics import NormalDist
from typing import NamedTuple

SHARE = 0.8
"""What a span is said to hold: 8 of 10 times."""
STEP = 0.05
"""By the bound above the first 300 forecasts of a lab, some three weeks of them, then hold within 6 in 100 of it."""
KEEP = 200
"""So many of the newest errors say how wide a span is."""
PRIOR = 20
"""So many errors the prior is worth (common practice, no source)."""


def prior_scores(count: int = PRIOR) -> list[float]:
    """Absolute errors as a normal error of scale 1 has them, evenly through its distribution."""
    normal = NormalDist()
    return [normal.inv_cdf(0.5 + 0.5 * (n + 0.5) / count) for n in range(count)]


class Adaptive:
    """The half-width of a span, in scales, as errors come in."""

    __slots__ = ("_allowed", "_alpha", "_scores", "_step")

    def __init__(
        self, prior: Iterable[float] = (), *, share: float = SHARE, step: float = STEP, keep: int = KEEP
    ) -> None:
        self._allowed = 1.0 - share
        self._alpha = self._allowed
        self._step = step
        self._scores: deque[float] = deque(prior, keep)

    @property
    def half_width(self) -> float:
        """Scales on either side; infinite where the errors known cannot vouch for any, negative where no span is
        needed to hold often enough."""
        rank = math.ceil((len(self._scores) + 1) * (1.0 - self._alpha) - 1e-9)
        if rank < 1:
            return -math.inf
        return sorted(self._scores)[rank - 1] if rank <= len(self._scores) else math.inf

    def note(self, score: float) -> None:
        """A forecast came out so many scales off (0 or more)."""
        self.note_outcome(score, score > self.half_width)

    def note_outcome(self, score: float, missed: bool) -> None:
        """As `note`, of a forecast whose span was given when less was known."""
        self._alpha += self._step * (self._allowed - missed)
        self._scores.append(score)


class CameOut(NamedTuple):
    """How a forecast came out."""

    known_ms: int
    """When it was known."""
    ahead: float
    """How far ahead it had been made, in any unit."""
    score: float


class ByHorizon:
    """Half-widths for each of some horizons, and between them. One that has no errors of its own yet has the prior."""

    __slots__ = ("_each", "_horizons")

    def __init__(self, horizons: Sequence[float], came_out: Iterable[CameOut] = ()) -> None:
        """`horizons` rise; a forecast counts for the horizon nearest to it."""
        self._horizons = tuple(horizons)
        self._each: Mapping[float, Adaptive] = {horizon: Adaptive(prior_scores()) for horizon in self._horizons}
        for outcome in sorted(came_out):
            nearest = min(self._horizons, key=lambda horizon: abs(horizon - outcome.ahead))
            self._each[nearest].note(outcome.score)

    def half_width(self, ahead: float) -> float:
        """Scales on either side, at least 0: on the line between the two horizons around it, and as at the end beyond
        the last."""
        widths = [max(0.0, adaptive.half_width) for adaptive in self._each.values()]
        place = bisect_left(self._horizons, ahead)
        if place == 0 or place == len(widths):
            return widths[min(place, len(widths) - 1)]
        (early, late), (low, high) = list(pairwise(self._horizons))[place - 1], widths[place - 1 : place + 1]
        if math.isinf(low) or math.isinf(high):
            return math.inf
        return low + (high - low) * (ahead - early) / (late - early)
