"""Reasons are for people: one line, bounded, nothing in them that could act on a screen."""

from hypothesis import given
from hypothesis import strategies as st

from collector.intake.record import Unreadable, kind_of, show


@given(st.text(max_size=500))
def test_a_reason_is_one_short_printable_line(text: str) -> None:
    """Whatever a payload puts into it: line ends, escapes for terminals, marks that turn text around."""
    reason = str(Unreadable(text))
    assert len(reason) <= 300
    assert reason.isprintable()


def test_a_plain_reason_is_left_as_it_is() -> None:
    """Only what cannot be printed is escaped, and a cut is visible."""
    assert str(Unreadable("record 2 ('t1'): 21 °C")) == "record 2 ('t1'): 21 °C"
    assert str(Unreadable("a\nb\x1b[2J\u202e\ud800")) == "a\\nb\\x1b[2J\\u202e\\ud800"
    assert str(Unreadable("x" * 400)) == "x" * 299 + "…"


def test_pieces_of_a_payload_are_shown_bounded() -> None:
    """Short values as they are; long text cut; numbers too long to print and containers by kind."""
    shown = [
        show(value) for value in ("t1", "y" * 99, 5, 2.5, True, False, None, 10**5000, [1], {"a": 1}, b"x", object())
    ]
    kinds = ["a number", "an array", "an object", "bytes", "a value of another kind"]
    assert shown == ["'t1'", f"'{'y' * 59}…'", "5", "2.5", "true", "false", "null", *kinds]
    assert kind_of(2.5) == "a number"
