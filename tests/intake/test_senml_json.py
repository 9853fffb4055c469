"""SenML in JSON: the rules, the two ways through the reader, refusals in words, writing back out."""

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.intake import senml_resolve
from collector.intake.record import MAX_PAYLOAD_BYTES, MAX_RECORDS, Record, Unreadable
from collector.intake.senml import read_senml_json
from tests.intake import payloads
from tests.intake.payloads import NOW_S, Pack, records_or_reason
from tests.intake.resolved import can_write, dump_resolved


def read(pack: object, now_s: float = NOW_S) -> list[Record]:
    return read_senml_json(msgspec.json.encode(pack), now_s)


def refusal(payload: bytes) -> str:
    with pytest.raises(Unreadable) as caught:
        read_senml_json(payload, NOW_S)
    return str(caught.value)


def in_brief(records: list[Record]) -> list[tuple[str, str | None, float | None, float | None]]:
    return [(record.name, record.unit, record.value, record.t_s) for record in records]


def test_base_fields_last_until_they_come_again() -> None:
    """Each base field holds for its record and all later ones, each by itself, until the same field recurs."""
    pack = [
        {"bn": "a:", "bt": 1e9, "bu": "Cel", "n": "x", "v": 1},
        {"n": "y", "v": 2, "t": 1},
        {"bn": "b:", "n": "x", "v": 3, "t": 2},
        {"bu": "V", "bt": 1.1e9, "n": "y", "v": 4},
        {"n": "y", "u": "%RH", "v": 5, "t": 1},
    ]
    assert in_brief(read(pack)) == [
        ("a:x", "Cel", 1.0, 1e9),
        ("a:y", "Cel", 2.0, 1e9 + 1),
        ("b:x", "Cel", 3.0, 1e9 + 2),
        ("b:y", "V", 4.0, 1.1e9),
        ("b:y", "%RH", 5.0, 1.1e9 + 1),
    ]


def test_base_fields_may_be_set_back_to_nothing() -> None:
    """An empty base name or a base time of 0 counts as given: zero is a value, not an absence."""
    pack = [{"bn": "a", "bt": 1e9, "bu": "Cel", "v": 1}, {"bn": "", "bt": 0, "bu": "", "n": "b", "v": 2}]
    assert in_brief(read(pack)) == [("a", "Cel", 1.0, 1e9), ("b", None, 2.0, NOW_S)]


def test_times_below_2_to_28_are_relative_and_marked() -> None:
    """A relative or missing time is taken from the arrival time and marked, as a redelivery would move it."""
    times = [(record.t_s, record.stamped) for record in read([{"n": "a", "v": 1, "t": -300}, {"n": "a", "v": 1}])]
    assert times == [(NOW_S - 300, True), (NOW_S, True)]
    assert [record.stamped for record in read([{"n": "a", "v": 1, "t": 1e9}])] == [False]


def test_records_of_one_time_keep_the_order_they_were_sent_in() -> None:
    """Sorting by time is stable."""
    pack = [{"n": name, "v": 1, "t": t} for name, t in [("a", 5), ("b", 3), ("c", 5), ("d", 3)]]
    assert [record.name for record in read(pack)] == ["b", "d", "a", "c"]


def test_values_and_sums_add_their_bases() -> None:
    """value = bv + v and sum = bs + s; a sum alone needs no value, and the missing half of a sum is 0."""
    first, second, third = read(
        [{"n": "a", "bv": 20, "v": 1.5}, {"n": "b", "v": -0.5, "bs": 100}, {"n": "c", "s": 5, "bv": 1}]
    )
    assert (first.value, first.sum) == (21.5, None)
    assert (second.value, second.sum) == (19.5, 100.0)
    assert (third.value, third.sum, third.form) == (None, 105.0, "")


def test_each_kind_of_value_is_kept_with_its_kind() -> None:
    """Text and data come as text, true and false as 1 and 0, each with the label to write it back under."""
    pack = [{"n": "a", "vs": "Machine"}, {"n": "b", "vd": "aGkgCg"}, {"n": "c", "vb": True}, {"n": "d", "vb": False}]
    found = [(record.form, record.value, record.text) for record in read(pack)]
    assert found == [("vs", None, "Machine"), ("vd", None, "aGkgCg"), ("vb", 1.0, None), ("vb", 0.0, None)]


def test_update_time_is_kept() -> None:
    """`ut` reaches the record in seconds; 0 is a value."""
    assert [record.update_time_s for record in read([{"n": "a", "v": 1, "ut": 0}, {"n": "a", "v": 1}])] == [0.0, None]


def test_labels_nobody_knows_are_ignored() -> None:
    """Unknown labels do no harm, whatever they hold, unless they end in an underscore."""
    pack = [{"n": "a", "v": 1, "t": 1e9, "x": {"deep": [1]}, "a_b": 2, "": 3}]
    assert in_brief(read(pack)) == [("a", None, 1.0, 1e9)]


@pytest.mark.parametrize("payload", [b'[{"n":"a","v":1,"z_":0}]', rb'[{"n":"a","v":1,"z\u005f":0}]'])
def test_a_label_ending_in_an_underscore_refuses_the_pack(payload: bytes) -> None:
    """Such a label must be understood, and none is, also when its underscore is written as an escape."""
    assert refusal(payload) == "record 1 ('a'): label 'z_' must be understood to read this record, and is not"


def test_escaped_labels_are_the_same_labels() -> None:
    """JSON escapes inside labels and names are undone before they are judged."""
    assert in_brief(read_senml_json(rb'[{"\u006e":"a\u0062","\u0076":1,"t":1e9}]', NOW_S)) == [("ab", None, 1.0, 1e9)]


@pytest.mark.parametrize("version", [1, 5, 9, 10, 10.0, 26])
def test_versions_understood(version: float) -> None:
    """Up to 10 as RFC 8428 has it, above that every bit must be a feature known here."""
    assert read([{"n": "a", "v": 1, "bver": version}])[0].version == version


@pytest.mark.parametrize("version", [11, 12, 27, 42, 58, 1e300])
def test_versions_not_understood(version: float) -> None:
    """A bit that stands for an unknown feature refuses the pack, wherever in the pack it stands."""
    reason = refusal(msgspec.json.encode([{"n": "a", "v": 1}, {"n": "b", "v": 1, "bver": version}]))
    assert reason.startswith("record 2 ('b'): bver ")
    assert reason.endswith("needs features not known here; 10 and 26 can be read")


@pytest.mark.parametrize("version", [0, -1, 10.5, "10", None, True])
def test_a_version_is_a_whole_number(version: object) -> None:
    """Anything but a positive whole number is no version."""
    assert "bver is" in refusal(msgspec.json.encode([{"n": "a", "v": 1, "bver": version}]))


def test_secondary_units_become_primary_only_under_their_feature() -> None:
    """With bver 26 a value in ms is seconds; without it the unit stays as sent."""
    plain = read([{"n": "a", "u": "ms", "v": 100}])
    assert in_brief(plain) == [("a", "ms", 100.0, NOW_S)]
    assert in_brief(read([{"bver": 26, "n": "a", "u": "ms", "v": 100}])) == [("a", "s", 0.1, NOW_S)]


def test_secondary_units_turn_base_values_and_sums_too() -> None:
    """The sum of base and value is turned as one, and an offset is added once; text is left alone."""
    pack = [
        {"bver": 26, "bu": "dBm", "bv": 4, "n": "a", "v": 6},
        {"n": "b", "u": "/100", "bv": 0, "v": 75, "s": 200},
        {"n": "c", "u": "h", "s": 2},
        {"n": "d", "u": "h", "vs": "noon"},
    ]
    found = [(record.unit, record.value, record.sum) for record in read(pack)]
    assert found == [("dBW", -20.0, None), ("/", 0.75, 2.0), ("s", None, 7200.0), ("h", None, None)]


def test_a_unit_with_an_offset_stays_beside_a_sum() -> None:
    """The sum of dBm over an unknown time cannot be turned into dBW, so the record keeps dBm whole."""
    (record,) = read([{"bver": 26, "u": "dBm", "n": "a", "v": 10, "s": 5}])
    assert (record.unit, record.value, record.sum) == ("dBm", 10.0, 5.0)


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({"n": "a", "v": 1}, "a SenML pack is an array of records, not an object"),
        (21.5, "a SenML pack is an array of records, not a number"),
        ("on", "a SenML pack is an array of records, not 'on'"),
        ([], "a pack of 0 records; it holds between 1 and 5000"),
        ([1], "record 1: expected an object with labels such as n and v, found a number"),
        ([{"n": "a", "v": 1}, [2]], "record 2: expected an object with labels such as n and v, found an array"),
        ([{"v": 1}], "record 1: no name: neither n nor bn gives one"),
        ([{"n": "-x", "v": 1}], "record 1 ('-x'): name '-x' must start with a letter or digit"),
        ([{"n": "a b", "v": 1}], "record 1 ('a b'): name 'a b' may hold only A-Z a-z 0-9 - : . / _"),
        ([{"n": "a\n", "v": 1}], "record 1 ('a\\n'): name 'a\\n' may hold only A-Z a-z 0-9 - : . / _"),
        ([{"n": "é", "v": 1}], "record 1 ('é'): name 'é' must start with a letter or digit"),
        ([{"n": "a" * 256, "v": 1}], f"record 1 ('{'a' * 59}…'): name of 256 characters; at most 255 are kept"),
        ([{"n": "a", "bn": 7, "v": 1}], "record 1 ('a'): bn is 7; expected text"),
        ([{"n": None, "v": 1}], "record 1: n is null; expected text"),
        ([{"n": "a"}], "record 1 ('a'): no value; give one of v, vs, vb or vd"),
        ([{"n": "a", "v": 1, "vs": "x"}], "record 1 ('a'): v and vs together; a record has one value"),
        ([{"n": "a", "v": None}], "record 1 ('a'): v is null; expected a number"),
        ([{"n": "a", "v": True}], "record 1 ('a'): v is true; expected a number"),
        ([{"n": "a", "v": "21.5"}], "record 1 ('a'): v is '21.5'; expected a number"),
        ([{"n": "a", "v": [1]}], "record 1 ('a'): v is an array; expected a number"),
        ([{"n": "a", "vb": 1}], "record 1 ('a'): vb is 1; expected true or false"),
        ([{"n": "a", "vs": 1}], "record 1 ('a'): vs is 1; expected text"),
        ([{"n": "a", "vd": "aGkgCg=="}], "record 1 ('a'): vd is 'aGkgCg=='; expected base64url without padding"),
        ([{"n": "a", "vd": "a"}], "record 1 ('a'): vd is 'a'; expected base64url without padding"),
        ([{"n": "a", "vd": 1}], "record 1 ('a'): vd is 1; expected base64url without padding"),
        (
            [{"n": "a", "v": 1e308, "bv": 1e308}],
            "record 1 ('a'): bv + v is infinite; expected a number a probe can measure",
        ),
        (
            [{"n": "a", "s": 1e308, "bs": 1e308}],
            "record 1 ('a'): bs + s is infinite; expected a number a probe can measure",
        ),
        ([{"n": "a", "v": 1, "ut": -1}], "record 1 ('a'): ut is -1; an update time is 0 or more seconds"),
        (
            [{"n": "a", "v": 1, "t": 1772438400000}],
            "record 1 ('a'): time bt + t = 1.77244e+12 is out of range; "
            "expected Unix seconds, or seconds before or after now",
        ),
        (
            [{"n": "a", "v": 1, "t": -1772438401}],
            "record 1 ('a'): time bt + t = -1.77244e+09 is out of range; "
            "expected Unix seconds, or seconds before or after now",
        ),
        (
            [{"n": "a", "v": 1, "bt": 1e308, "t": 1e308}],
            "record 1 ('a'): time bt + t = inf is out of range; expected Unix seconds, or seconds before or after now",
        ),
    ],
)
def test_a_refusal_names_the_record_and_what_would_be_right(pack: object, reason: str) -> None:
    """Whoever programs the probe can tell from the one line which record to change, and to what."""
    assert refusal(msgspec.json.encode(pack)) == reason


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff",
        b"\xef\xbb\xbf[]",
        b"[" * 200_000,
        b'[{"n":"a","v":1,"x":' + b"[" * 200_000,
        b'[{"n":"a","v":NaN}]',
        b'[{"n":"a","v":1e999}]',
        b'[{"n":"a","v":' + b"1" * 5000 + b"}]",
        b'[{"n":"\\ud800","v":1}]',
        b'[{"n":"a","vs":"\\ud800"}]',
        b'[{"n":"a","vs":"\xed\xa0\x80"}]',
        b'[{"n":"a","v":1}] x',
    ],
)
def test_what_is_not_json_is_refused(payload: bytes) -> None:
    """Broken, bottomless, infinite or ill-encoded JSON gives a reason and nothing worse."""
    assert isinstance(records_or_reason(lambda: read_senml_json(payload, NOW_S)), str)


def test_a_whole_number_past_every_double_is_refused() -> None:
    """JSON bounds no whole number; a double does, and the label is named."""
    reason = refusal(b'[{"n":"a","v":' + b"1" * 400 + b"}]")
    assert reason == "record 1 ('a'): v is too large for a number"


def test_sizes_are_bounded() -> None:
    """The largest payload and the longest pack are read; one byte or one record more is refused."""
    record = b'{"n":"a","v":1}'
    longest = b"[" + b",".join([record] * MAX_RECORDS) + b"]"
    assert len(read_senml_json(longest, NOW_S)) == MAX_RECORDS
    assert "a pack of 5001 records" in refusal(longest[:-1] + b"," + record + b"]")
    largest = (b"[" + record + b"]").ljust(MAX_PAYLOAD_BYTES)
    assert len(read_senml_json(largest, NOW_S)) == 1
    assert refusal(largest + b" ") == f"payload of {MAX_PAYLOAD_BYTES + 1} bytes; at most {MAX_PAYLOAD_BYTES} are read"


def test_a_long_base_name_is_refused_before_it_is_multiplied() -> None:
    """A quarter megabyte of base name times 5,000 records would be more than a gigabyte of names."""
    pack = [{"bn": "a" * 200_000, "n": "x", "v": 1}] + [{"n": "x", "v": 1}] * 1000
    assert "name of 200001 characters" in refusal(msgspec.json.encode(pack))


def test_made_up_names_do_not_fill_the_memory() -> None:
    """The memory of names seen stays bounded however many a probe makes up."""
    for start in range(0, 12_000, 4_000):
        read([{"n": f"made-up-{number}", "v": 1} for number in range(start, start + 4_000)])
    assert len(senml_resolve._KNOWN_NAMES) <= senml_resolve._MAX_KNOWN_NAMES


def test_the_last_of_a_repeated_label_counts() -> None:
    """RFC 8259 leaves repeated names open; both ways through the reader take the last."""
    repeated = b'[{"n":"a","v":1,"v":2,"t":1e9%s}]'
    assert in_brief(read_senml_json(repeated % b"", NOW_S)) == [("a", None, 2.0, 1e9)]
    assert in_brief(read_senml_json(repeated % b',"x":0', NOW_S)) == [("a", None, 2.0, 1e9)]


@given(payloads.plain_packs)
@settings(max_examples=70)
def test_the_short_way_and_the_careful_way_agree(pack: Pack) -> None:
    """A label that changes nothing sends a plain pack the careful way; the records, or the reason, are the same."""
    careful: Pack = [{**pack[0], "nothing": 0}, *pack[1:]]
    short = records_or_reason(lambda: read(pack))
    payloads.must_be_senml(short)
    assert short == records_or_reason(lambda: read(careful))


@given(payloads.packs)
@settings(max_examples=70)
def test_resolved_packs_read_back_the_same(pack: Pack) -> None:
    """Writing records as resolved SenML and reading that gives the records again, now all with times of their own."""
    records = read(pack)
    assert all(can_write(record) for record in records)
    again = read_senml_json(dump_resolved(records), 0.0)
    assert again == [msgspec.structs.replace(record, stamped=False) for record in records]


def test_resolved_packs_leave_out_what_senml_cannot_say() -> None:
    """NaN, times before 2**28 (they would read as relative), missing times, unlawful names and empty records."""
    good = Record(name="a", unit="Cel", value=21.5, text=None, t_s=1e9, stamped=False)
    change = msgspec.structs.replace
    bad = [
        change(good, value=float("nan")),
        change(good, value=None),
        change(good, t_s=2.0**28 - 1),
        change(good, t_s=None),
        change(good, name="/a b"),
        change(good, form="vs"),
        change(good, form="vb", value=None),
        change(good, form=""),
    ]
    assert not any(can_write(record) for record in bad)
    assert dump_resolved([*bad, good]) == b'[{"n":"a","u":"Cel","v":21.5,"t":1000000000.0}]'


def test_resolved_packs_are_in_time_order_and_name_their_version() -> None:
    """Records come oldest first; the version stands in all of them as soon as one is not the default."""
    late = Record(name="a", unit=None, value=1.0, text=None, t_s=2e9, stamped=False)
    early = Record(
        name="b",
        unit=None,
        value=None,
        text=None,
        t_s=1e9,
        stamped=False,
        form="",
        sum=7.0,
        update_time_s=60.0,
        version=26,
    )
    assert msgspec.json.decode(dump_resolved([late, early])) == [
        {"bver": 26, "n": "b", "s": 7.0, "t": 1e9, "ut": 60.0},
        {"bver": 10, "n": "a", "v": 1.0, "t": 2e9},
    ]


@given(st.binary(max_size=60) | payloads.json_trees | payloads.damaged(payloads.packs.map(msgspec.json.encode)))
@settings(max_examples=180)
def test_no_payload_does_anything_but_read_or_be_refused(payload: bytes) -> None:
    """Random bytes, random JSON and damaged packs: records that keep the rules, or a short printable reason."""
    payloads.must_be_senml(records_or_reason(lambda: read_senml_json(payload, NOW_S)))
