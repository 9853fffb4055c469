"""SenML in CBOR: the labels, the number types, what CBOR alone can do wrong."""

import math
from decimal import Decimal
from fractions import Fraction

import cbor2
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.intake.record import MAX_PAYLOAD_BYTES, MAX_RECORDS, Record, Unreadable
from collector.intake.senml import read_senml_json
from collector.intake.senml_cbor import read_senml_cbor
from tests.intake import payloads
from tests.intake.payloads import NOW_S, Pack, records_or_reason


def read(pack: object) -> list[Record]:
    return read_senml_cbor(cbor2.dumps(pack), NOW_S)


def refusal(payload: bytes) -> str:
    with pytest.raises(Unreadable) as caught:
        read_senml_cbor(payload, NOW_S)
    return str(caught.value)


def value_of(encoded: bytes) -> float | None:
    """What a number in CBOR becomes as the value of a record."""
    (record,) = read_senml_cbor(b"\x81\xa2\x00\x61a\x02" + encoded, NOW_S)
    return record.value


@given(payloads.packs)
@settings(max_examples=60)
def test_the_same_pack_in_cbor_and_json_gives_the_same_records(pack: Pack) -> None:
    """Every label and kind of value means in CBOR what it means in JSON."""
    assert read_senml_cbor(payloads.as_cbor(pack), NOW_S) == read_senml_json(msgspec.json.encode(pack), NOW_S)


def test_labels_may_be_text() -> None:
    """Probes whose library writes the JSON labels into CBOR are read as well."""
    (record,) = read([{"bn": "a:", "n": "t", "v": 1, 6: 1e9}])
    assert (record.name, record.value, record.t_s) == ("a:t", 1.0, 1e9)


def test_indefinite_lengths_are_read() -> None:
    """Arrays, maps and text whose length was not known in advance."""
    payload = b"\x9f\xbf\x00\x7f\x61a\x61b\xff\x02\xf9\x4d\x60\xff\xff"
    (record,) = read_senml_cbor(payload, NOW_S)
    assert (record.name, record.value) == ("ab", 21.5)


def test_data_becomes_base64url() -> None:
    """A byte string is kept as the text that JSON would carry: base64url without padding."""
    (record,) = read([{0: "a", 8: b"hi \n"}])
    assert (record.form, record.text, record.value) == ("vd", "aGkgCg", None)


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (2, 2.0),
        (-7, -7.0),
        (2**70, 2.0**70),
        (-(2**70), -(2.0**70)),
        (Decimal("21.4375"), 21.4375),
        (Decimal("1e-400"), 0.0),
        (Decimal(2**80), 2.0**80),
        (cbor2.CBORTag(5, [-3, 5]), 0.625),
        (cbor2.CBORTag(5, [-5000, 5]), 0.0),
    ],
)
def test_every_number_type_of_cbor_is_a_number(number: object, expected: float) -> None:
    """Whole numbers of any size, decimal fractions and bigfloats become the nearest double."""
    assert value_of(cbor2.dumps(number)) == expected


@given(st.integers(-(2**200), 2**200), st.integers(-330, 330))
@settings(max_examples=60)
def test_decimal_fractions_round_as_the_decimal_does(mantissa: int, exponent: int) -> None:
    """Any mantissa and exponent gives the nearest double; a mantissa past 64 bits is rounded before, costing an ulp."""
    expected = float(Decimal(mantissa).scaleb(exponent))
    encoded = cbor2.dumps(cbor2.CBORTag(4, [exponent, mantissa]))
    if math.isinf(expected):
        assert "v is infinite" in refusal(b"\x81\xa2\x00\x61a\x02" + encoded)
    else:
        assert value_of(encoded) == pytest.approx(expected, rel=4.5e-16, abs=5e-324)


def test_nan_is_kept() -> None:
    """CBOR can carry NaN, the probe's way to say that it has no value; it stays visible as one."""
    value = value_of(b"\xf9\x7e\x00")
    assert value is not None
    assert math.isnan(value)


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ({0: "a", 2: math.inf}, "record 1 ('a'): v is infinite; expected a number a probe can measure"),
        ({0: "a", 2: 10**400}, "record 1 ('a'): v is infinite; expected a number a probe can measure"),
        ({0: "a", 2: -(10**400)}, "record 1 ('a'): v is infinite; expected a number a probe can measure"),
        (
            {0: "a", 2: cbor2.CBORTag(5, [5000, 5])},
            "record 1 ('a'): v is infinite; expected a number a probe can measure",
        ),
        ({0: "a", 2: 1, 6: math.nan}, "record 1 ('a'): t is NaN; expected a number"),
        ({0: "a", 2: 1, -1: math.nan}, "record 1 ('a'): bver is NaN; expected a number"),
        ({0: "a", 2: 1, -1: 11}, "record 1 ('a'): bver 11 needs features not known here; 10 and 26 can be read"),
        ({0: "a", 2: Fraction(1, 3)}, "record 1 ('a'): v is a value of another kind; expected a number"),
        ({0: "a", 2: cbor2.CBORTag(4, [1, 2, 3])}, "record 1 ('a'): v is a value of another kind; expected a number"),
        ({0: "a", 2: cbor2.CBORTag(4, [1.5, 2])}, "record 1 ('a'): v is a value of another kind; expected a number"),
        ({0: "a", 2: cbor2.CBORTag(5, [1, "2"])}, "record 1 ('a'): v is a value of another kind; expected a number"),
        ({0: "a", 2: cbor2.CBORTag(2, 5)}, "record 1 ('a'): v is a value of another kind; expected a number"),
        ({0: "a", 2: cbor2.CBORTag(3, 5)}, "record 1 ('a'): v is a value of another kind; expected a number"),
        ({0: "a", 2: b"21"}, "record 1 ('a'): v is bytes; expected a number"),
        ({0: "a", 3: b"text"}, "record 1 ('a'): vs is bytes; expected text"),
        ({0: "a", "n": "b", 2: 1}, "record 1: label n twice, as a number and as text"),
        ({0: "a", 2: 1, "z_": 1}, "record 1 ('a'): label 'z_' must be understood to read this record, and is not"),
        ({0: "a", True: "V", 2.0: 1}, "record 1 ('a'): no value; give one of v, vs, vb or vd"),
    ],
)
def test_a_refusal_names_the_record_and_what_would_be_right(record: dict[object, object], reason: str) -> None:
    """Labels are named by their letters, also where they were numbers."""
    assert refusal(cbor2.dumps([record])) == reason


def test_keys_that_only_equal_a_label_are_none() -> None:
    """True and 1.0 equal 1 in Python and are still no unit; unknown numbers are ignored."""
    (record,) = read([{0: "a", 2: 1, True: "V", 99: "x", -99: "y", b"n": "z", None: 0}])
    assert (record.name, record.unit) == ("a", None)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff",
        b"\x80",
        b"\xa0",
        b"\x81\x01",
        b"\x81" * 200_000 + b"\x00",
        b"\xd9\xd9\xf7" * 80_000 + b"\x00",
        b"\x9b" + b"\xff" * 8,
        b"\x5b\x00\x00\x00\xff\xff\xff\xff\xff",
        b"\x81\xa2\x00\x63\xed\xa0\x80\x02\x01",
        b"\x81\xa3\x00\x61a\x02\x01\x02\x02",
        b"\xd8\x1c\x81\xd8\x1d\x00",
    ],
)
def test_what_is_no_pack_is_refused(payload: bytes) -> None:
    """Empty, cut off, bottomless, ill-encoded, repeated labels, an array inside itself: a reason and nothing worse."""
    assert isinstance(records_or_reason(lambda: read_senml_cbor(payload, NOW_S)), str)


def test_a_pack_marked_as_cbor_is_read() -> None:
    """The tag that marks data as CBOR (RFC 8949 section 3.4.6) changes nothing."""
    assert [record.name for record in read(cbor2.CBORTag(55799, [{0: "a", 2: 1}]))] == ["a"]


def test_bytes_after_the_pack_are_refused() -> None:
    """Two packs in one message are not silently read as one."""
    assert refusal(cbor2.dumps([{0: "a", 2: 1}]) + b"\x80") == "1 bytes after the end of the pack"


def test_sizes_are_bounded() -> None:
    """5,000 records are read, one more is refused, and so is a payload past the limit."""
    record = b"\xa2\x00\x61a\x02\x01"
    assert len(read_senml_cbor(b"\x99\x13\x88" + record * MAX_RECORDS, NOW_S)) == MAX_RECORDS
    assert "a pack of 5001 records" in refusal(b"\x99\x13\x89" + record * (MAX_RECORDS + 1))
    assert "at most" in refusal(b"\x00" * (MAX_PAYLOAD_BYTES + 1))


def test_a_number_as_long_as_the_payload_is_not_worked_out() -> None:
    """A decimal fraction of two million bits took seconds to build; it is refused by its length."""
    mantissa = b"\xc2\x5a\x00\x03\xa0\x00" + b"\x7f" * 0x3A000
    assert "expected a number" in refusal(b"\x81\xa2\x00\x61a\x02\xc4\x82\x39\xff\xff" + mantissa)


@given(st.binary(max_size=60) | payloads.cbor_trees | payloads.damaged(payloads.packs.map(payloads.as_cbor)))
@settings(max_examples=200)
def test_no_payload_does_anything_but_read_or_be_refused(payload: bytes) -> None:
    """Random bytes, random CBOR with every tag and damaged packs: lawful records or a short printable reason."""
    payloads.must_be_senml(records_or_reason(lambda: read_senml_cbor(payload, NOW_S)))
