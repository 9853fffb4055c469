"""Which of these tests take long."""

import pytest


def pytest_itemcollected(item: pytest.Item) -> None:
    """The properties of sameness and of whole lives at random."""
    if item.path.name.startswith(("test_sameness", "test_lifecycle_whole")):
        item.add_marker(pytest.mark.slow)
