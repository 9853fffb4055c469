"""Which of these tests take long."""

import pytest

_SLOW = ("test_sameness", "test_lifecycle_whole", "test_two_ordinary_weeks_are_silent")


def pytest_itemcollected(item: pytest.Item) -> None:
    """The properties of sameness, whole lives at random, and the many weeks in which nothing should be told."""
    if item.path.name.startswith(_SLOW) or item.name.startswith(_SLOW):
        item.add_marker(pytest.mark.slow)
