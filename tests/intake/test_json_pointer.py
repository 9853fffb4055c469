"""Any JSON by JSON Pointer: where pointers lead, what may stand there, and the time beside it."""

import math
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.intake.json_pointer import parse_pointer, read_json
from collector.intake.record import MAX_PAYLOAD_BYTES, Record, Unreadable
from tests.intake import payloads
from tests.intake.payloads import NOW_S, records_or_reason


def read(document: object, *pointers: str, time: str = "") -> list[Record]:
    return read_json(msgspec.json.encode(document), pointers, time, NOW_S)


def refusal(document: object, *pointers: str, time: str = "") -> str:
    with pytest.raises(Unreadable) as caught:
        read(document, *pointers, time=time)
    return str(caught.value)


# RFC 6901 section 5, from memory; the values that are no numbers there (arrays, the whole document) are left out.
EXAMPLE = {"foo": [11, 12], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/foo/0", 11),
        ("/foo/1", 12),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_the_examples_of_the_standard(pointer: str, value: float) -> None:
    """RFC 6901 section 5: each pointer finds its value, and the record is named by the pointer."""
    (record,) = read(EXAMPLE, pointer)
    assert (record.name, record.value, record.unit) == (pointer, value, None)


def test_escapes_are_undone_in_the_right_order() -> None:
    """'~01' is the key '~1' and not '/' (RFC 6901 section 4)."""
    assert [record.value for record in read({"~1": 1, "/": 2}, "/~01", "/~1")] == [1, 2]


def test_the_empty_pointer_is_the_whole_document() -> None:
    """A document that is a number is found by the empty pointer."""
    assert [record.value for record in read(21.5, "")] == [21.5]


@pytest.mark.parametrize("step", ["01", "-", "3", "+1", "-1", "1.0", "", "١", "²", "9" * 6000])
def test_what_is_no_index_of_an_array_leads_nowhere(step: str) -> None:
    """Leading zeros, signs, foreign digits, '-' and indexes past the end find nothing."""
    assert [record.name for record in read({"a": [0, 1, 2], "b": 1}, f"/a/{step}", "/b")] == ["/b"]


def test_keys_that_look_like_indexes_are_keys_in_an_object() -> None:
    """The leading-zero rule is for arrays only."""
    assert [record.value for record in read({"01": 5, "-": 6}, "/01", "/-")] == [5, 6]


@pytest.mark.parametrize("pointer", ["a", "#/a", "/a~", "/a~2b", "~"])
def test_what_is_no_pointer_is_refused(pointer: str) -> None:
    """A pointer starts with '/' and has no '~' but '~0' and '~1'; the reason says what to write."""
    with pytest.raises(ValueError, match="is not a JSON Pointer; "):
        parse_pointer(pointer)
    assert "is not a JSON Pointer" in refusal({"a": 1}, pointer)


@given(st.lists(st.text(), max_size=4), st.integers(-9, 9))
@settings(max_examples=40)
def test_any_key_can_be_pointed_at(keys: list[str], value: int) -> None:
    """Whatever the keys of nested objects are, the pointer written by the rules finds the value."""
    usable = [key.encode("utf-8", "replace").decode() for key in keys]
    document: Any = value
    for key in reversed(usable):
        document = {key: document}
    pointer = "".join("/" + key.replace("~", "~0").replace("/", "~1") for key in usable)
    assert parse_pointer(pointer) == tuple(usable)
    assert [record.value for record in read(document, pointer)] == [value]


@pytest.mark.parametrize(
    ("found", "value", "form"),
    [
        (21, 21.0, "v"),
        (0, 0.0, "v"),
        (-1.5e3, -1500.0, "v"),
        (2**64, 2.0**64, "v"),
        ("21.5", 21.5, "v"),
        (" 7 ", 7.0, "v"),
        (True, 1.0, "vb"),
        (False, 0.0, "vb"),
        ("ON", 1.0, "vb"),
        ("off", 0.0, "vb"),
    ],
)
def test_numbers_text_numbers_and_switches(found: object, value: float, form: str) -> None:
    """What counts as a value, and that a switch is told from a number."""
    (record,) = read({"a": found}, "/a")
    assert (record.value, record.form, record.text) == (value, form, None)


@pytest.mark.parametrize("found", [None, "nan", "NaN"])
def test_no_value_is_nan(found: object) -> None:
    """null and 'nan' are the probe's word for "no value": kept, as missing."""
    (record,) = read({"a": found}, "/a")
    assert record.value is not None
    assert math.isnan(record.value)


def test_one_broken_channel_does_not_lose_the_others() -> None:
    """Text where a number was expected is kept as NaN with the text, beside the good values of the same message."""
    good, bad, worse = read({"a": 21.5, "b": "error 7", "c": [1]}, "/a", "/b", "/c")
    assert (good.value, good.text) == (21.5, None)
    assert (math.isnan(bad.value or 0), bad.text) == (True, "error 7")
    assert (math.isnan(worse.value or 0), worse.text) == (True, None)


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        ({"b": 1}, "nothing at '/a/x'"),
        ({"a": {"x": {}}}, "at '/a/x': an object where a number was expected"),
        ({"a": {"x": []}}, "at '/a/x': an array where a number was expected"),
        ({"a": {"x": "21,5"}}, "at '/a/x': '21,5' has a comma; write a decimal point: 21.5"),
        ({"a": {"x": "-inf"}}, "at '/a/x': '-inf' is infinite; send nan where the probe has no value"),
        ({"a": {"x": msgspec.Raw(b"1" * 400)}}, "at '/a/x': too large for a number"),
        ({"a": 5}, "nothing at '/a/x'"),
        (5, "nothing at '/a/x'"),
    ],
)
def test_where_nothing_is_usable_the_payload_is_refused(document: object, reason: str) -> None:
    """A payload with no usable value at all is not silently empty; the reason names the pointer."""
    assert refusal(document, "/a/x") == reason


def test_without_pointers_nothing_can_be_read() -> None:
    """An empty list of pointers is said, not answered with an empty list of records."""
    assert refusal({"a": 1}) == "no pointers to read this payload with"


@pytest.mark.parametrize(
    ("found", "t_s"),
    [
        (1772438400, 1772438400.0),
        (1772438400.25, 1772438400.25),
        (1772438400123, 1772438400.123),
        ("1772438400", 1772438400.0),
        ("1772438400123", 1772438400.123),
        (99_999_999_999, 99_999_999_999.0),
        (100_000_000_000, 100_000_000.0),
        (0, 0.0),
        ("2026-03-02T08:00:00Z", 1772438400.0),
        ("2026-03-02T09:00:00+01:00", 1772438400.0),
        ("2026-03-02 08:00:00.250+00:00", 1772438400.25),
        ("20260302T080000Z", 1772438400.0),
    ],
)
def test_times_in_seconds_milliseconds_and_iso_8601(found: object, t_s: float) -> None:
    """1e11 and more is milliseconds; a time of its own is not marked as coming from the arrival."""
    (record,) = read({"a": 1, "ts": found}, "/a", time="/ts")
    assert (record.t_s, record.stamped) == (t_s, False)


@pytest.mark.parametrize("ms", range(1_772_438_400_000, 1_772_438_400_064))
def test_every_millisecond_survives(ms: int) -> None:
    """Milliseconds to seconds and back by rounding gives the same millisecond."""
    (record,) = read({"a": 1, "ts": ms}, "/a", time="/ts")
    assert record.t_s is not None
    assert round(record.t_s * 1000) == ms


@pytest.mark.parametrize(("document", "time"), [({"a": 1}, ""), ({"a": 1}, "/ts"), ({"a": 1, "ts": None}, "/ts")])
def test_no_time_is_left_to_the_arrival(document: object, time: str) -> None:
    """No time pointer, none found or null there: no time, marked as such."""
    (record,) = read(document, "/a", time=time)
    assert (record.t_s, record.stamped) == (None, True)


@pytest.mark.parametrize(
    ("found", "reason"),
    [
        ("2026-03-02T08:00:00", "'2026-03-02T08:00:00' has no time zone; add Z for UTC or an offset such as +01:00"),
        ("2026-03-02", "'2026-03-02' has no time zone; add Z for UTC or an offset such as +01:00"),
        ("yesterday", "'yesterday' is not a time; expected Unix seconds"),
        ("", "'' is not a time; expected Unix seconds"),
        ("nan", "'nan' is not a time; expected Unix seconds"),
        ("on", "'on' is not a time; expected Unix seconds"),
        (True, "true is not a time; expected Unix seconds"),
        ([1], "an array is not a time; expected Unix seconds"),
        (-1, "-1 is out of range; expected Unix seconds"),
        (1772438400123456, "1772438400123456 is out of range; expected Unix seconds"),
        (1e300, "1e+300 is out of range; expected Unix seconds"),
        ("1969-12-31T23:59:59Z", "'1969-12-31T23:59:59Z' is out of range; expected Unix seconds"),
        ("0001-01-01T00:00:00+23:59", "'0001-01-01T00:00:00+23:59' is out of range; expected Unix seconds"),
        ("9999-12-31T23:59:59-23:59", "'9999-12-31T23:59:59-23:59' is out of range; expected Unix seconds"),
    ],
)
def test_a_time_that_cannot_be_read_refuses_the_payload(found: object, reason: str) -> None:
    """A wrong time would put a reading where it does not belong; the reason names the pointer and what is right."""
    assert refusal({"a": 1, "ts": found}, "/a", time="/ts").startswith(f"time at '/ts': {reason}")


def test_a_time_pointer_that_is_none_is_refused() -> None:
    """The same holds for the pointer to the time as for the others."""
    assert "is not a JSON Pointer" in refusal({"a": 1}, "/a", time="ts")


@pytest.mark.parametrize(
    "payload",
    [b"", b"\xff", b"{", b"[" * 200_000, b'{"a":NaN}', b'{"a":1e999}', b"1" * 5000, b"0" * (MAX_PAYLOAD_BYTES + 1)],
)
def test_what_is_not_json_is_refused(payload: bytes) -> None:
    """Broken, bottomless, endless or oversized: a reason and nothing worse."""
    assert isinstance(records_or_reason(lambda: read_json(payload, ["/a"], "", NOW_S)), str)


@given(
    st.binary(max_size=40) | payloads.json_trees | payloads.damaged(st.just(b'{"a":{"b":[1,"2"]},"t":1e9}')),
    st.lists(st.sampled_from(["", "/", "/a", "/a/b/0", "/v", "/0", "/0/v", "/n"]) | st.text(max_size=6), max_size=4),
    st.sampled_from(["", "/t", "/0/t", "/bt"]) | st.text(max_size=4),
)
@settings(max_examples=160)
def test_no_payload_does_anything_but_read_or_be_refused(payload: bytes, pointers: list[str], time: str) -> None:
    """Any payload with any pointers: at most one record each, or a short printable reason."""
    result = records_or_reason(lambda: read_json(payload, pointers, time, NOW_S))
    if isinstance(result, list):
        assert {record.name for record in result} <= set(pointers)


@given(st.text(max_size=30))
@settings(max_examples=80)
def test_no_written_time_does_anything_but_read_or_be_refused(text: str) -> None:
    """Any text at all as a time."""
    payload = msgspec.json.encode({"a": 1, "t": text.encode("utf-8", "replace").decode()})
    records_or_reason(lambda: read_json(payload, ["/a"], "/t", NOW_S))
