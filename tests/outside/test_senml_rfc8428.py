"""SenML against what stands outside this project: RFC 8428 and its worked examples, RFC 8798, RFC 9100.

Read in github.com/core-wg/senml-spec@aced339 (draft 16, the text and example files of RFC 8428),
github.com/core-wg/senml-more-units@2663b5d (RFC 8798) and github.com/core-wg/senml-versions (RFC 9100); section
numbers are from memory. "Computed" marks vectors worked out by hand from the rules there. Times are compared to a
microsecond: a double holds present-day Unix seconds to 0.24 microseconds.
"""

from datetime import UTC, datetime

import cbor2
import msgspec
import pytest

from collector.intake.record import Record, Unreadable
from collector.intake.senml import read_senml_json
from collector.intake.senml_cbor import read_senml_cbor
from tests.intake.resolved import dump_resolved

NOW_S = 1772438400.0
TIME_TOLERANCE_S = 1e-6

Resolved = tuple[str, str | None, float | str | None, float]


def check(records: list[Record], expected: list[Resolved]) -> None:
    found = [(r.name, r.unit, r.text if r.value is None else r.value) for r in records]
    assert found == [(name, unit, value) for name, unit, value, _ in expected]
    times = [record.t_s for record in records]
    assert times == pytest.approx([t_s for *_, t_s in expected], abs=TIME_TOLERANCE_S)


def read(payload: str, now_s: float = NOW_S) -> list[Record]:
    return read_senml_json(payload.encode(), now_s)


VOLTAGE = (
    '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076.001,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
    '{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
    '{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
)
DEVICE = "urn:dev:ow:10e2073a0108006:"
VOLTAGE_RESOLVED: list[Resolved] = [
    (DEVICE + "current", "A", 1.2, 1276020071.001),
    (DEVICE + "current", "A", 1.3, 1276020072.001),
    (DEVICE + "current", "A", 1.4, 1276020073.001),
    (DEVICE + "current", "A", 1.5, 1276020074.001),
    (DEVICE + "current", "A", 1.6, 1276020075.001),
    (DEVICE + "voltage", "V", 120.1, 1276020076.001),
    (DEVICE + "current", "A", 1.7, 1276020076.001),
]


def test_multiple_data_points() -> None:
    """RFC 8428 section 5.1.2: base fields, negative times, records put in order, a version below 10 taken."""
    records = read(VOLTAGE)
    check(records, VOLTAGE_RESOLVED)
    assert {record.version for record in records} == {5}
    last = records[-1].t_s
    assert last == pytest.approx(datetime(2010, 6, 8, 18, 1, 16, 1000, UTC).timestamp(), abs=TIME_TOLERANCE_S)


def test_multiple_data_points_in_cbor() -> None:
    """The same example under the labels of RFC 8428 section 6, table 4, with the time as a decimal fraction (tag 4)."""
    first = {-2: DEVICE, -3: cbor2.CBORTag(4, [-3, 1276020076001]), -4: "A", -1: 5, 0: "voltage", 1: "V", 2: 120.1}
    rest = [{0: "current", 6: t, 2: v} for t, v in [(-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6)]]
    check(read_senml_cbor(cbor2.dumps([first, *rest, {0: "current", 2: 1.7}]), NOW_S), VOLTAGE_RESOLVED)


def test_multiple_data_points_written_out_resolved() -> None:
    """RFC 8428 section 4.6: a version other than 10 stands in every record; no base name, time or unit is left."""
    written = msgspec.json.decode(dump_resolved(read(VOLTAGE)), type=list[dict[str, object]])
    assert {tuple(record) for record in written} == {("bver", "n", "u", "v", "t")}
    assert [record["bver"] for record in written] == [5] * 7
    check(read(msgspec.json.encode(written).decode(), now_s=0.0), VOLTAGE_RESOLVED)


# RFC 8428 section 5.1.3. The readings between the first three and the last two are from memory.
POSITION = (
    '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464,"bu":"%RH","v":20.0},'
    '{"u":"lon","v":24.30621},{"u":"lat","v":60.07965},'
    '{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},'
    '{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},'
    '{"u":"%EL","t":150,"v":98.0},'
    '{"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]'
)


def test_humidity_and_position() -> None:
    """RFC 8428 section 5.1.3: one name, a unit in each record, 13 records on absolute times."""
    name = "urn:dev:ow:10e2073a01080063"
    rows = [
        *[("%RH", 20.0, 1320067464), ("lon", 24.30621, 1320067464), ("lat", 60.07965, 1320067464)],
        *[("%RH", 20.3, 1320067524), ("lon", 24.30622, 1320067524), ("lat", 60.07965, 1320067524)],
        *[("%RH", 20.7, 1320067584), ("lon", 24.30623, 1320067584), ("lat", 60.07966, 1320067584)],
        ("%EL", 98.0, 1320067614),
        *[("%RH", 21.2, 1320067644), ("lon", 24.30628, 1320067644), ("lat", 60.07967, 1320067644)],
    ]
    records = read(POSITION)
    check(records, [(name, unit, value, t_s) for unit, value, t_s in rows])
    assert len(records) == 13
    assert records[0].t_s == datetime(2011, 10, 31, 13, 24, 24, tzinfo=UTC).timestamp()
    assert msgspec.json.decode(dump_resolved(records))[9] == {"n": name, "u": "%EL", "v": 98.0, "t": 1320067614.0}


def test_a_collection_of_resources() -> None:
    """RFC 8428 section 5.1.6: the base name comes again, the base time stays in force."""
    records = read(
        '[{"bn":"2001:db8::2/","bt":1320078429,"n":"temperature","u":"Cel","v":25.2},'
        '{"n":"humidity","u":"%RH","v":30},'
        '{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},{"n":"humidity","u":"%RH","v":67}]'
    )
    t_s = datetime(2011, 10, 31, 16, 27, 9, tzinfo=UTC).timestamp()
    check(
        records,
        [
            ("2001:db8::2/temperature", "Cel", 25.2, t_s),
            ("2001:db8::2/humidity", "%RH", 30.0, t_s),
            ("2001:db8::1/temperature", "Cel", 12.3, t_s),
            ("2001:db8::1/humidity", "%RH", 67.0, t_s),
        ],
    )


def test_the_kinds_of_values() -> None:
    """RFC 8428 section 5.1.5: number, text, true or false, data; the data decode to 'hi' and a line end (computed)."""
    payload = (
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},'
        '{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]'
    )
    records = read(payload)
    name = "urn:dev:ow:10e2073a01080063:"
    check(
        records,
        [
            (name + "temp", "Cel", 23.1, NOW_S),
            (name + "label", None, "Machine Room", NOW_S),
            (name + "open", None, 0.0, NOW_S),
            (name + "nfv-reader", None, "aGkgCg", NOW_S),
        ],
    )
    assert [record.form for record in records] == ["v", "vs", "vb", "vd"]
    assert read_senml_cbor(cbor2.dumps([{0: "nfv-reader", 8: b"hi \n"}]), NOW_S)[0].text == "aGkgCg"


def test_setting_an_actuator() -> None:
    """RFC 8428 section 5.1.7 (the names are ours): two levels at once, then a fraction of a second on the base time."""
    records = read(
        '[{"bt":1320078429,"bu":"/","n":"lamp:1","v":0.5},{"n":"lamp:2","v":0.5},{"n":"lamp:1","t":0.1,"v":0}]'
    )
    base = 1320078429.0
    check(records, [("lamp:1", "/", 0.5, base), ("lamp:2", "/", 0.5, base), ("lamp:1", "/", 0.0, base + 0.1)])
    assert not any(record.stamped for record in records)


def test_two_devices_in_one_pack() -> None:
    """Computed: two base names on one base time (2026-03-02T08:00:00Z), records out of order, a switch with a unit."""
    records = read(
        '[{"bn":"urn:dev:ow:28ff641e0116037c:","bt":1772438400,"bu":"Cel","n":"t1","v":21.5},'
        '{"n":"t1","t":-60,"v":21.4375},{"n":"m1","u":"/","v":0.76},'
        '{"bn":"urn:dev:mac:0024befffe804ff1/","n":"rh","u":"%RH","v":48.2,"t":30},{"n":"lid","vb":true,"u":"/"}]'
    )
    check(
        records,
        [
            ("urn:dev:ow:28ff641e0116037c:t1", "Cel", 21.4375, 1772438340),
            ("urn:dev:ow:28ff641e0116037c:t1", "Cel", 21.5, 1772438400),
            ("urn:dev:ow:28ff641e0116037c:m1", "/", 0.76, 1772438400),
            ("urn:dev:mac:0024befffe804ff1/lid", "/", 1.0, 1772438400),
            ("urn:dev:mac:0024befffe804ff1/rh", "%RH", 48.2, 1772438430),
        ],
    )


@pytest.mark.parametrize(("time", "t_s"), [('"t":-300,', 1772438100), ("", 1772438400), ('"t":0,', 1772438400)])
def test_relative_times(time: str, t_s: float) -> None:
    """Computed from RFC 8428 section 4.5.3: below 2**28 relative to now, missing is 0, 0 is now."""
    (record,) = read(f'[{{"n":"a",{time}"v":1}}]')
    assert (record.t_s, record.stamped) == (t_s, True)


@pytest.mark.parametrize(
    ("base", "time", "t_s"),
    [
        (268435455, 0, 268435455 + NOW_S),
        (268435400, 55, 268435455 + NOW_S),
        (268435400, 56, 268435456),
    ],
)
def test_the_border_between_relative_and_absolute(base: int, time: int, t_s: float) -> None:
    """Computed: the sum bt + t decides; 2**28 (1978-07-04T21:24:16Z) is the first absolute time."""
    (record,) = read(f'[{{"n":"a","bt":{base},"t":{time},"v":1}}]')
    assert (record.t_s, record.stamped) == (t_s, base + time < 2**28)
    assert datetime.fromtimestamp(2**28, UTC) == datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC)


def test_base_value() -> None:
    """Computed from RFC 8428 section 4.1: 20 + 1.5 and 20 - 0.5."""
    assert [record.value for record in read('[{"n":"a","bv":20,"v":1.5},{"n":"a","v":-0.5}]')] == [21.5, 19.5]


@pytest.mark.parametrize(
    "record",
    [
        '{"v":1}',
        '{"n":"-x","v":1}',
        '{"n":"a b","v":1}',
        '{"n":"%","v":1}',
        '{"n":"a"}',
        '{"n":"a","v":1,"vs":"x"}',
        '{"n":"a","v":1,"z_":1}',
        '{"n":"a","v":1,"bver":11}',
    ],
)
def test_packs_to_reject(record: str) -> None:
    """Computed from RFC 8428 sections 4.2, 4.4, 4.5.1 and RFC 9100: each breaks one rule, and none is half read."""
    with pytest.raises(Unreadable, match=r"^record 2"):
        read(f'[{{"n":"good","v":1}},{record}]')


@pytest.mark.parametrize(
    ("sent", "unit", "value", "primary"),
    [
        (100, "ms", 0.1, "s"),  # RFC 8798 section 3
        (10, "dBm", -20, "dBW"),  # RFC 8798 section 3
        (75, "/100", 0.75, "/"),  # this and the following computed from the table of RFC 8798
        (1013.25, "hPa", 101325, "Pa"),
        (3, "min", 180, "s"),
        (3600000, "mm/h", 1, "m/s"),
        (8e6, "ug/m3", 0.008, "kg/m3"),
        (412, "ppm", 4.12e-4, "/"),
    ],
)
def test_secondary_units(sent: float, unit: str, value: float, primary: str) -> None:
    """RFC 8798 under version 26 of RFC 9100 (feature code 4): turned; under the default version: left as sent."""
    (turned,) = read(f'[{{"bver":26,"n":"a","u":"{unit}","v":{sent}}}]')
    assert turned.unit == primary
    assert turned.value == pytest.approx(value, rel=1e-15)
    (left,) = read(f'[{{"n":"a","u":"{unit}","v":{sent}}}]')
    assert (left.unit, left.value) == (unit, sent)
