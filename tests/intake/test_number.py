"""A payload that is one number or one switch word."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.intake.number import read_number
from collector.intake.record import MAX_PAYLOAD_BYTES, Record, Unreadable
from tests.intake.payloads import records_or_reason


def refusal(payload: bytes) -> str:
    with pytest.raises(Unreadable) as caught:
        read_number(payload)
    return str(caught.value)


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"21.5", 21.5),
        (b" 21.5\r\n", 21.5),
        (b"-3", -3.0),
        (b"+.5", 0.5),
        (b"5.", 5.0),
        (b"1e-3", 0.001),
        (b"2E2", 200.0),
        (b"0", 0.0),
        (b"007", 7.0),
        (b"1e-999", 0.0),
    ],
)
def test_a_number_is_read(payload: bytes, value: float) -> None:
    """The usual ways to print a number, with space around; it has no name, no unit and no time."""
    assert read_number(payload) == Record(name="", unit=None, value=value, text=None, t_s=None, stamped=True, form="v")


@pytest.mark.parametrize(
    ("payload", "value"),
    [(b"on", 1.0), (b"OFF", 0.0), (b"True", 1.0), (b"false\n", 0.0)],
)
def test_a_switch_word_is_read(payload: bytes, value: float) -> None:
    """Switches may say on and off, true and false, in any case."""
    assert read_number(payload) == Record(name="", unit=None, value=value, text=None, t_s=None, stamped=True, form="vb")


@pytest.mark.parametrize("payload", [b"nan", b"NaN", b"-nan"])
def test_nan_is_kept(payload: bytes) -> None:
    """What C prints for "no value" is kept as missing."""
    value = read_number(payload).value
    assert value is not None
    assert math.isnan(value)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "nothing in it; expected a number such as 21.5"),
        (b" \n", "nothing in it; expected a number such as 21.5"),
        (b"21,5", "'21,5' has a comma; write a decimal point: 21.5"),
        (b"-0,5", "'-0,5' has a comma; write a decimal point: -0.5"),
        (b"inf", "'inf' is infinite; send nan where the probe has no value"),
        (b"-Infinity", "'-Infinity' is infinite; send nan where the probe has no value"),
        (b"1e999", "'1e999' is too large for a number"),
        (b"21.5 C", "'21.5 C' is more than a number; send the number alone, without its unit"),
        (b"45%", "'45%' is more than a number; send the number alone, without its unit"),
        (b"21.5\x00", "'21.5\\x00' is more than a number; send the number alone, without its unit"),
        (b"warm", "'warm' is not a number; expected one such as 21.5, or on or off for a switch"),
        (b"1_000", "'1_000' is more than a number; send the number alone, without its unit"),
        (b"1 2", "'1 2' is not a number; expected one such as 21.5, or on or off for a switch"),
        ("٢١".encode(), "'٢١' is not a number; expected one such as 21.5, or on or off for a switch"),
        (b"1" * 65, "65 characters are too long for a number"),
        (b"2\xff", "byte 1 is not text; expected a number such as 21.5"),
        (b"1" * (MAX_PAYLOAD_BYTES + 1), "payload of 262145 bytes; at most 262144 are read"),
    ],
)
def test_a_refusal_says_what_would_be_right(payload: bytes, reason: str) -> None:
    """The usual slips each get the answer that helps."""
    assert refusal(payload) == reason


@given(st.floats(allow_infinity=False, allow_nan=False))
@settings(max_examples=50)
def test_every_finite_number_survives(value: float) -> None:
    """What a probe prints in full precision comes back as the same number."""
    assert read_number(repr(value).encode()).value == value


@given(st.binary(max_size=80) | st.text("0123456789+-.eE,naifo \t", max_size=70).map(str.encode))
@settings(max_examples=150)
def test_no_payload_does_anything_but_read_or_be_refused(payload: bytes) -> None:
    """Any bytes, and any jumble of what numbers are made of."""
    records_or_reason(lambda: [read_number(payload)])
