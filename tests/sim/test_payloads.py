"""The four payload formats, read back by decoders from outside: Python's json, cbor2, and RFC tables by hand."""

import hashlib
import json
from collections.abc import Mapping

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_sensors import cbor, payloads, senml
from sim_sensors.probes import Sample
from tests.sim.small import START_MS, iso_ms, minute, of_topic, played, records, small_lab, values

UNITS = {"temperature": "Cel", "moisture": "count", "pump": "on/off"}
SAMPLE: Sample = {"temperature": 21.4375, "moisture": 1785, "pump": True}
TOPICS = {"senml": "worms/juniper/top", "senml-cbor": "worms/juniper/bottom", "json": "worms/room", "number": "worms/n"}
ZOO = """\
juniper-bottom: {format: senml-cbor}
room-air: {format: json, time: /when/at, channels: {air-temperature: {unit: degF, pointer: /air/t~1F}, humidity: {}}}
level: {place: juniper, topic: worms/n, format: number, channels: {leachate: {unit: "%"}}}
"""


def digest(seed: int) -> str:
    sent = played(small_lab(ZOO), seed)
    return hashlib.sha256(repr([(p.t_ms, p.topic, p.payload, p.facts) for p in sent]).encode()).hexdigest()


def test_all_formats_are_the_same_bytes_for_the_same_seed() -> None:
    """Times, topics, payloads and truth; another seed gives others."""
    assert digest(7) == digest(7)
    assert digest(7) != digest(8)


@pytest.mark.parametrize(
    ("topic", "first"),
    [
        (TOPICS["senml"], '[{"bn":"urn:dev:mac:02bf948c32047ed7:","bt":'),
        (TOPICS["senml-cbor"], "83a521781d75726e3a6465763a6d61633a3032"),
        (TOPICS["json"], '{"when":{"at":"2026-03-02T08:00:'),
        (TOPICS["number"], ""),
    ],
)
def test_how_payloads_begin(topic: str, first: str) -> None:
    """Each topic carries its own format: its first characters, in hex where they are no text."""
    payload = of_topic(played(small_lab(ZOO)), topic)[0].payload
    said = payload.hex() if topic == TOPICS["senml-cbor"] else payload.decode()
    assert said.startswith(first)


def test_senml_json_and_cbor_say_the_same() -> None:
    """Changing the format changes neither values nor times, only how they are written; units are SenML's."""
    as_cbor = of_topic(played(small_lab(ZOO)), TOPICS["senml-cbor"])
    as_json = of_topic(played(small_lab()), TOPICS["senml-cbor"])
    assert [values(pack) for pack in as_cbor] == [values(pack) for pack in as_json]
    for one, other in zip(as_cbor, as_json, strict=True):
        assert round(records(one)[0]["bt"] * 1000) == one.t_ms == other.t_ms
        assert [r.get("u") for r in records(one)] == [r.get("u") for r in records(other)] == ["Cel", "count", "V"]
        assert len(one.payload) < 0.7 * len(other.payload)


def test_senml_times_are_exact_to_the_millisecond() -> None:
    """The decimal in the JSON text is the time, with three digits."""
    for pack in of_topic(played(small_lab()), TOPICS["senml"]):
        seconds, _, ms = json.loads(pack.payload, parse_float=str)[0]["bt"].partition(".")
        assert int(seconds) * 1000 + int(ms) == pack.t_ms


def test_json_stands_where_the_pointers_lead() -> None:
    """Nested objects, '/' in a key written '~1' (RFC 6901 section 3), the time in ISO 8601, degF as asked."""
    for pack in of_topic(played(small_lab(ZOO)), TOPICS["json"]):
        found = json.loads(pack.payload)
        assert iso_ms(found["when"]["at"]) == pack.t_ms
        assert 60 < found["air"]["t/F"] < 75
        assert 20 < found["humidity"] < 70


def test_a_bare_number_is_one() -> None:
    """Nothing but the number; on and off for a switch."""
    sent = of_topic(played(small_lab(ZOO)), TOPICS["number"])
    assert len(sent) == 60
    assert all(0 <= float(pack.payload.decode("ascii")) <= 100 for pack in sent)
    assert (payloads.as_number(True), payloads.as_number(False), payloads.as_number(1785)) == (b"on", b"off", b"1785")


def test_json_without_a_clock_has_no_time() -> None:
    """The values alone."""
    sent = of_topic(played(small_lab("room-air: {format: json, clock: none}")), TOPICS["json"])
    assert all(json.loads(pack.payload).keys() == {"air-temperature", "humidity"} for pack in sent)
    assert 0 < minute(sent[0]) < 1


def test_senml_without_a_clock_has_no_base_time() -> None:
    """RFC 8428 section 4.5.3: without a time a record is about now."""
    assert records_of(senml.as_json("urn:x:", None, SAMPLE, UNITS))[0].keys() == {"bn", "n", "u", "v"}
    assert cbor2.loads(senml.as_cbor("urn:x:", None, SAMPLE, UNITS))[0].keys() == {-2, 0, 1, 2}


def test_a_pack_in_json_and_in_cbor() -> None:
    """Labels and values of RFC 8428 tables 1 and 4: the base in the first record only, a Boolean without unit."""
    assert records_of(senml.as_json("urn:x:", START_MS + 5, SAMPLE, UNITS)) == [
        {"bn": "urn:x:", "bt": 1772438400.005, "n": "temperature", "u": "Cel", "v": 21.4375},
        {"n": "moisture", "u": "count", "v": 1785},
        {"n": "pump", "vb": True},
    ]
    assert cbor2.loads(senml.as_cbor("urn:x:", START_MS + 5, SAMPLE, UNITS)) == [
        {-2: "urn:x:", -3: 1772438400.005, 0: "temperature", 1: "Cel", 2: 21.4375},
        {0: "moisture", 1: "count", 2: 1785},
        {0: "pump", 4: True},
    ]


def records_of(payload: bytes) -> list[Mapping[str, object]]:
    return list(json.loads(payload))


@pytest.mark.parametrize(
    ("item", "expected"),
    [
        (0, "00"),
        (23, "17"),
        (24, "1818"),
        (1000, "1903e8"),
        (1000000, "1a000f4240"),
        (1000000000000, "1b000000e8d4a51000"),
        (-1, "20"),
        (-1000, "3903e7"),
        (1.5, "f93e00"),
        (100000.0, "fa47c35000"),
        (1.1, "fb3ff199999999999a"),
        (65504.0, "f97bff"),
        (False, "f4"),
        (True, "f5"),
        ("IETF", "6449455446"),
        ("ü", "62c3bc"),
        ([1, [2, 3]], "8201820203"),
        ({1: 2, 3: 4}, "a201020304"),
    ],
)
def test_cbor_examples(item: cbor.Item, expected: str) -> None:
    """Examples of RFC 8949 appendix A."""
    assert cbor.encoded(item).hex() == expected


@settings(max_examples=50)
@given(
    st.recursive(
        st.integers(-(2**63), 2**63) | st.floats(allow_nan=False) | st.booleans() | st.text(),
        lambda inner: st.lists(inner, max_size=30) | st.dictionaries(st.integers(-9, 9), inner),
        max_leaves=20,
    )
)
def test_cbor_is_what_another_encoder_reads_and_writes(item: cbor.Item) -> None:
    """cbor2 reads it back, and writes the same bytes in its canonical form where no map is to be sorted."""
    assert cbor2.loads(cbor.encoded(item)) == item
    if not isinstance(item, dict | list):
        assert cbor2.dumps(item, canonical=True) == cbor.encoded(item)


def test_a_pointer_cannot_lead_through_a_value() -> None:
    """Which a scenario file is refused for."""
    with pytest.raises(ValueError, match="leads through a value"):
        payloads.as_json("/at", START_MS, {"a": 1.0}, {"a": "/at/a"})


def test_base_names_are_locally_administered_addresses_of_their_own() -> None:
    """An EUI-64 whose first octet is 02 (IEEE: locally administered), another for each probe, always the same."""
    names = {senml.base_name(key) for key in ("juniper-top", "juniper-bottom", "room-air")}
    assert len(names) == 3
    assert all(name.startswith("urn:dev:mac:02") and len(name) == len("urn:dev:mac:") + 17 for name in names)
    assert all(int(name[12:28], 16) > 0 for name in names)
