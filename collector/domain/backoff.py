"""How long to wait before something that failed is tried again.

Waits double, up to a longest one, and are spread: many labs that lost the same server at the same moment must not all
come back to it together.
"""

from dataclasses import dataclass

_MOST_DOUBLINGS = 60
"""Far past any longest wait, and well inside what a number can hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Backoff:
    """`first` and `longest` in one unit, that of the waits."""

    first: float
    longest: float
    spread: float
    """The part of a wait that chance may take off, 0 to 1."""

    def wait(self, failures: int, jitter: float) -> float:
        """The wait after a failure that `failures` others came before, one after the other. `jitter`: drawn evenly
        from 0 to 1, where 1 is the whole wait."""
        whole = min(self.longest, self.first * 2.0 ** min(failures, _MOST_DOUBLINGS))
        return whole * (1 - self.spread * (1 - jitter))
