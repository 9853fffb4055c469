"""What property tests of several rooms draw from. Borders are drawn often: whole minutes, so that readings fall on
deadlines; flags of every kind, mostly good ones; trees as deep as a mistaken file may be."""

from collections.abc import Hashable
from typing import Any

from hypothesis import strategies as st

from tests.worlds.values import MIN

FLAGS = st.sampled_from([1, 1, 1, 1, 2, 3, 3, 4, 9])
"""QARTOD flags, half of them good."""
DELAYS_MS = st.sampled_from([0, 1, MIN, 90_000, 3 * MIN])
"""On-delays and off-delays."""
GAPS_MS = st.sampled_from([1, 999, 30_000, MIN, MIN, MIN, 2 * MIN, 5 * MIN, 31 * MIN])
"""Between one thing that happens and the next."""
LAGS_MS = st.sampled_from([0, 0, 0, 0, 1_000, 30_000, 3 * MIN, 8 * MIN])
"""How late a reading comes; mostly at once."""
SENDABLE = st.characters(exclude_categories=["Cs"])
"""Letters that can be written as UTF-8."""
LINES = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp", "Cf"]), max_size=20)
"""Text that stays on its line and is all to be seen."""


def trees(
    leaves: st.SearchStrategy[Any], keys: st.SearchStrategy[Hashable], *, wide: int = 3, most: int = 20
) -> st.SearchStrategy[Any]:
    """Lists and mappings of leaves within each other, `wide` at each place and `most` leaves in all."""
    return st.recursive(
        leaves,
        lambda inner: st.lists(inner, max_size=wide) | st.dictionaries(keys, inner, max_size=wide),
        max_leaves=most,
    )
