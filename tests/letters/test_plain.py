"""Text from outside made safe for one line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.letters.plain import one_line, paragraphs, visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("31.2 °C", "31.2 °C"),
        ("a\tb", "a b"),
        ("a\u00a0b", "a b"),
        ("a\r\nb", "a\\r\\nb"),
        ("a\x1b[2J", "a\\x1b[2J"),
        ("a\u2028b\u202eb", "a\\u2028b\\u202eb"),
        ("\ud800", "\\ud800"),
    ],
)
def test_what_cannot_be_seen_is_written_out(text: str, shown: str) -> None:
    """Controls, line separators and direction marks are shown, not obeyed."""
    assert visible(text) == shown


@given(st.text(max_size=300), st.integers(1, 200))
def test_one_line_is_one_line_of_the_length_asked_for(text: str, longest: int) -> None:
    """Printable from end to end, and cut with a sign that it was."""
    line = one_line(text, longest)
    assert line.isprintable()
    assert len(line) <= longest
    assert line == one_line(text) or line.endswith("…")


def test_a_persons_lines_stay_lines() -> None:
    """Steps written one to a line stay so; empty lines and doubled spaces go."""
    assert paragraphs("one  two\r\n\n  three\x07\n") == ["one two", "three\\x07"]
