"""Payloads for the decoder tests: valid packs, trees of nonsense, damaged bytes; and what must hold for every one."""

import math
from collections.abc import Callable, Mapping

import cbor2
import msgspec
from hypothesis import strategies as st

from collector.intake.record import END_OF_TIME_S, Record, Unreadable
from collector.intake.senml_resolve import LABELS, is_name
from tests.worlds.strategies import trees

NOW_S = 1772438400.0
"""2026-03-02T08:00:00Z."""

CBOR_LABELS = {
    "bver": -1,
    "bn": -2,
    "bt": -3,
    "bu": -4,
    "bv": -5,
    "bs": -6,
    "n": 0,
    "u": 1,
    "v": 2,
    "vs": 3,
    "vb": 4,
    "s": 5,
    "t": 6,
    "ut": 7,
    "vd": 8,
}
"""Written out from RFC 8428 section 6 a second time, so that a slip in the decoder's table shows."""

Pack = list[dict[str, object]]

_numbers = st.floats(-1e9, 1e9) | st.integers(-(10**9), 10**9)
_words = st.text("abz019", min_size=1, max_size=4)
_units = st.sampled_from(["Cel", "%RH", "/", "V", "kg/m3", "", "ms", "/100", "dBm"])
_times = st.integers(-1000, 1000) | st.floats(-1000, 1000)
_base = st.fixed_dictionaries(
    {},
    optional={
        "bn": _words.map(lambda word: word + ":"),
        "bt": _times | st.floats(3e8, 2e9) | st.integers(3 * 10**8, 2 * 10**9),
        "bu": _units,
    },
)
_rare_base = st.fixed_dictionaries({}, optional={"bv": _numbers, "bs": _numbers, "bver": st.sampled_from([1, 10, 26])})
_value = st.one_of(
    st.fixed_dictionaries({"v": _numbers}),
    st.fixed_dictionaries({"vs": st.text(max_size=10)}),
    st.fixed_dictionaries({"vb": st.booleans()}),
    st.fixed_dictionaries({"vd": st.sampled_from(["", "aGkgCg", "AA", "_-8"])}),
    st.fixed_dictionaries({"s": _numbers}),
    st.fixed_dictionaries({"v": _numbers, "s": _numbers}),
)
_own = st.fixed_dictionaries({"n": _words}, optional={"u": _units, "t": _times})
_extra = st.fixed_dictionaries({}, optional={"ut": st.integers(0, 3600), "colour": st.just("red")})


def _merge(parts: tuple[Mapping[str, object], ...]) -> dict[str, object]:
    return {label: value for part in parts for label, value in part.items()}


plain_packs: st.SearchStrategy[Pack] = st.lists(
    st.tuples(_base, _own, st.fixed_dictionaries({"v": _numbers})).map(_merge), min_size=1, max_size=5
)
packs: st.SearchStrategy[Pack] = st.lists(
    st.tuples(_base, _rare_base, _own, _value, _extra).map(_merge), min_size=1, max_size=5
)

_labels = st.sampled_from(sorted(LABELS)) | st.text(max_size=4)
_leaves = (
    st.none() | st.booleans() | st.integers(-(2**63), 2**63) | st.floats(allow_nan=False, allow_infinity=False)
) | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
json_trees = trees(_leaves, _labels, wide=6).map(msgspec.json.encode)

_cbor_keys = st.integers(-8, 10) | _labels | st.booleans() | st.floats() | st.binary(max_size=2)
_cbor_leaves = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.integers(-(2**2000), 2**2000)
    | st.floats()
    | st.text(max_size=8)
    | st.binary(max_size=8)
    | st.decimals()
    | st.fractions()
    | st.datetimes().map(lambda moment: cbor2.CBORTag(0, moment.isoformat()))
    | st.just(cbor2.undefined)
)
_tags = st.sampled_from([0, 1, 2, 3, 4, 5, 25, 28, 29, 30, 35, 36, 37, 100, 256, 258, 260, 1004, 43000, 55799])
cbor_trees = st.recursive(
    _cbor_leaves,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(_cbor_keys, inner, max_size=6)
        | st.builds(cbor2.CBORTag, _tags, inner)
    ),
    max_leaves=20,
).map(cbor2.dumps)


def as_cbor(pack: Pack) -> bytes:
    """A pack as CBOR with whole-number labels, data as bytes."""
    return cbor2.dumps([{CBOR_LABELS.get(label, label): _as_bytes(label, v) for label, v in r.items()} for r in pack])


def _as_bytes(label: str, value: object) -> object:
    if label != "vd" or not isinstance(value, str):
        return value
    return {"": b"", "aGkgCg": b"hi \n", "AA": b"\0", "_-8": b"\xff\xef"}[value]


@st.composite
def damaged(draw: st.DrawFn, whole: st.SearchStrategy[bytes]) -> bytes:
    """A valid payload with a few bytes changed, cut out or put in."""
    payload = bytearray(draw(whole))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(payload)))
        payload[at : at + draw(st.integers(0, 3))] = draw(st.binary(max_size=3) | st.sampled_from([b'"', b"_", b"\\u"]))
    return bytes(payload)


def records_or_reason(read: Callable[[], list[Record]]) -> list[Record] | str:
    """What a decoder makes of a payload, after checking what must hold whatever the payload was."""
    try:
        records = read()
    except Unreadable as unreadable:
        reason = str(unreadable)
        assert reason
        assert reason.isprintable()
        assert len(reason) <= 300
        return reason
    assert records
    for record in records:
        assert record.value is None or (type(record.value) is float and not math.isinf(record.value))
        assert record.t_s is None or 0 <= record.t_s < END_OF_TIME_S
        assert record.stamped or record.t_s is not None
    return records


def must_be_senml(result: list[Record] | str) -> None:
    """Resolved packs: lawful names, every record timed, oldest first."""
    if isinstance(result, list):
        times = [record.t_s for record in result if record.t_s is not None]
        assert len(times) == len(result)
        assert times == sorted(times)
        assert all(is_name(record.name) for record in result)
