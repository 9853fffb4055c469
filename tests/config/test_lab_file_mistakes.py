"""Every mistake in the book, in one file, with the exact words for each."""

from pathlib import Path

import pytest

from collector.config.lab_file import read_lab
from collector.domain.problems import Refused

HERE = Path(__file__).parent


def test_every_mistake_is_told_at_once_with_its_place_and_what_would_be_right() -> None:
    """The lines for mistakes.yaml are those of mistakes.txt, word for word: all of them, in file order, none twice."""
    with pytest.raises(Refused) as refused:
        read_lab((HERE / "mistakes.yaml").read_text(encoding="utf-8"))
    expected = (HERE / "mistakes.txt").read_text(encoding="utf-8").splitlines()
    assert [str(problem) for problem in refused.value.problems] == expected
