"""One message becomes readings: units, values that are none, times, and what is kept for the maintainer."""

import math

import cbor2
import pytest

from collector.domain.readings import FUTURE_TOLERANCE_MS, Why
from collector.intake.inbox import finite_or_none
from tests.intake.small_lab import NOW, Room


def senml(
    value: object = 21.5, *, name: str = "temperature", unit: str | None = "Cel", t_s: float | None = NOW / 1000
) -> str:
    parts = [f'"n":"{name}"', *([f'"u":"{unit}"'] if unit else []), f'"v":{value}']
    return "[{" + ",".join([*parts, *([f'"t":{t_s}'] if t_s is not None else [])]) + "}]"


def test_each_format_is_read_in_its_channel_unit() -> None:
    """SenML, SenML in CBOR, JSON by pointer and a bare number all come out in the canonical unit."""
    room = Room()
    room.say("worms/juniper/top", senml())
    room.say("worms/juniper/top", senml(0.76, name="moisture", unit="/"))
    room.say("worms/maple/middle", cbor2.dumps([{-3: NOW // 1000, 0: "temperature", 1: "Cel", 2: 20.25}]))
    room.say("worms/maple/top", '{"at":"2026-03-02T08:00:00Z","bed":{"t":68}}')
    room.say("worms/kettle/pump", "on")
    assert room.values() == {
        "juniper-top.temperature": [21.5],
        "juniper-top.moisture": [76.0],
        "maple-middle.temperature": [20.25],
        "maple-top.temperature": [20.0],
        "kettle-pump.pump": [1.0],
    }


def test_a_record_may_name_another_unit_of_the_measure() -> None:
    """294.65 K is 21.5 degC; the raw value is kept in the channel's own unit, in which probe codes are known."""
    room = Room()
    room.say("worms/juniper/top", senml(294.65, unit="K"))
    ((t_ms, raw, value, why),) = room.take()["juniper-top.temperature"]
    assert (t_ms, why) == (NOW, 0)
    assert value == pytest.approx(21.5)
    assert raw == pytest.approx(21.5)


def test_without_a_unit_the_channel_says_which() -> None:
    """A bare 68 from a probe that sends degF is 20 degC, and the raw value stays 68."""
    room = Room()
    room.say("worms/maple/top", '{"at":1772438400,"bed":{"t":68}}')
    assert room.take() == {"maple-top.temperature": [(NOW, 68.0, 20.0, 0)]}


def test_a_calibrated_channel_passes_its_raw_count_on() -> None:
    """The count is kept as it was said; the calibration is applied to it afterwards, by date."""
    room = Room()
    room.say("worms/maple/top", '{"at":1772438400,"bed":{"m":1785}}')
    assert room.take() == {"maple-top.moisture": [(NOW, 1785.0, 73.0, 0)]}


def test_a_wrong_unit_is_refused_with_what_would_be_right() -> None:
    """Lux is no temperature: counted, kept with topic, first bytes and a reason that names the units taken."""
    room = Room()
    payload = senml(3, unit="lx")
    room.say("worms/juniper/top", payload)
    assert room.take() == {}
    assert room.intake.counts == {"rejected": 1}
    (oddity,) = room.intake.oddities
    assert oddity.reason == (
        "'temperature' has unit 'lx', which is not bedding_temperature; the channel takes Cel, degC, K, degF"
    )
    assert (oddity.t_ms, oddity.topic, oddity.sample) == (NOW, "worms/juniper/top", payload.encode()[:64])


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        ('{"n":"temperature","vs":"warm"}', "'temperature' carries text, a number is needed"),
        ('{"n":"temperature","vd":"aGk"}', "'temperature' carries text, a number is needed"),
        ('{"n":"temperature","s":120}', "'temperature' carries a sum only, a number is needed"),
    ],
)
def test_what_is_no_number_is_refused_and_its_neighbour_kept(record: str, reason: str) -> None:
    """Text, data or a sum alone is one line for the maintainer; the other record of the pack is a reading."""
    room = Room()
    room.say("worms/juniper/top", f'[{{"bt":1772438400,"n":"moisture","u":"/","v":0.7}},{record}]')
    assert room.values() == {"juniper-top.moisture": [70.0]}
    assert room.reasons == [reason]


def test_a_boolean_is_a_switch() -> None:
    """true is 1, false is 0."""
    room = Room()
    room.say("worms/kettle/pump", "true")
    room.say("worms/kettle/pump", "OFF")
    assert room.values() == {"kettle-pump.pump": [1.0, 0.0]}


def test_nan_is_kept_as_a_reading_without_a_number() -> None:
    """The probe is alive and has no value: NaN goes on and is stored as none."""
    room = Room()
    room.say("worms/room/air", "nan")
    room.say("worms/kettle/oxygen", '{"o2":null}')
    found = room.take()
    assert all(math.isnan(readings[0][2]) for readings in found.values())
    assert sorted(found) == ["kettle-oxygen.oxygen", "room-air.temperature"]
    assert finite_or_none([1.5, math.nan]) == [1.5, None]


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("worms/juniper/top", '[{"n":"temperature","v":'),
        ("worms/juniper/top", b"\xff\xfe"),
        ("worms/maple/middle", b"\x00"),
        ("worms/maple/top", "{}"),
        ("worms/room/air", "21,5"),
        ("worms/room/air", ""),
    ],
)
def test_what_cannot_be_read_is_counted_with_its_first_bytes(topic: str, payload: str | bytes) -> None:
    """One count, one reason on one line, the first 64 bytes, no reading."""
    room = Room()
    room.say(topic, payload)
    assert room.take() == {}
    assert room.intake.counts == {"rejected": 1}
    assert len(room.reasons) == 1
    assert room.reasons[0].isprintable()


# Times


def test_no_time_means_arrival() -> None:
    """The arrival time stands in, and the reading says so."""
    room = Room()
    room.say("worms/room/air", "19.5")
    room.say("worms/kettle/oxygen", '{"o2":7}')
    room.say("worms/maple/top", '{"bed":{"t":68}}')
    room.say("worms/juniper/top", senml(t_s=None))
    assert {(t, why) for readings in room.take().values() for t, _, _, why in readings} == {(NOW, Why.ARRIVAL)}


def test_two_without_a_time_in_one_millisecond_stay_two() -> None:
    """Each gets a millisecond of its own, in order of arrival; the next in its own time falls behind neither."""
    room = Room()
    for value in ("1", "2", "3"):
        room.say("worms/room/air", value)
    room.say("worms/room/air", "4", NOW + 1)
    room.say("worms/room/air", "5", NOW + 100)
    assert [(t - NOW, value) for t, _, value, _ in room.take()["room-air.temperature"]] == [
        (0, 1.0),
        (1, 2.0),
        (2, 3.0),
        (3, 4.0),
        (100, 5.0),
    ]


def test_a_clock_set_back_does_not_mix_up_arrivals() -> None:
    """Arrival times of one series only grow, whatever the machine's clock does."""
    room = Room()
    room.say("worms/room/air", "1")
    room.say("worms/room/air", "2", NOW - 3_600_000)
    assert [t - NOW for t, *_ in room.take()["room-air.temperature"]] == [0, 1]


def test_series_do_not_take_milliseconds_from_each_other() -> None:
    """Another series at the same moment keeps the moment."""
    room = Room()
    room.say("worms/room/air", "1")
    room.say("worms/kettle/pump", "1")
    assert [readings[0][0] for readings in room.take().values()] == [NOW, NOW]


@pytest.mark.parametrize("t_s", [0, 1, 1_262_303_999.999, 946_684_800])
def test_a_probe_with_no_clock_set_is_taken_at_arrival(t_s: float) -> None:
    """A time before 2010 is a clock that was never set."""
    room = Room()
    room.say("worms/maple/top", f'{{"at":{t_s},"bed":{{"t":68}}}}')
    assert room.take()["maple-top.temperature"] == [(NOW, 68.0, 20.0, Why.ARRIVAL)]


def test_2010_itself_is_a_time() -> None:
    """The border belongs to the times that are believed."""
    room = Room()
    room.say("worms/juniper/top", senml(t_s=1_262_304_000))
    assert room.take()["juniper-top.temperature"][0][::3] == (1_262_304_000_000, 0)


@pytest.mark.parametrize(
    ("ahead_ms", "t_ms", "why"),
    [
        (FUTURE_TOLERANCE_MS - 1, NOW + FUTURE_TOLERANCE_MS - 1, 0),
        (FUTURE_TOLERANCE_MS, NOW + FUTURE_TOLERANCE_MS, 0),
        (FUTURE_TOLERANCE_MS + 1, NOW, Why.FUTURE),
        (365 * 86_400_000, NOW, Why.FUTURE),
    ],
)
def test_more_than_five_minutes_ahead_is_taken_at_arrival_and_doubted(ahead_ms: int, t_ms: int, why: int) -> None:
    """Exactly five minutes is let pass; a millisecond more is not."""
    room = Room()
    room.say("worms/juniper/top", senml(t_s=(NOW + ahead_ms) / 1000))
    assert room.take()["juniper-top.temperature"][0][::3] == (t_ms, why)


def test_milliseconds_survive_the_float_of_the_payload() -> None:
    """Every millisecond of a second comes out as it went in."""
    room = Room()
    for number in range(1000):
        room.say("worms/juniper/top", senml(t_s=(NOW - 5_000 + number) / 1000))
    assert [t for t, *_ in room.take()["juniper-top.temperature"]] == [NOW - 5_000 + n for n in range(1000)]


# Retained


@pytest.mark.parametrize("payload", ["19.5", "nan"])
def test_a_retained_message_without_a_time_is_no_reading(payload: str) -> None:
    """It was published at some earlier time: counted, and nothing more."""
    room = Room()
    room.say("worms/room/air", payload, retained=True)
    assert room.take() == {}
    assert room.intake.counts == {"retained": 1}
    assert room.intake.oddities == []


def test_a_retained_message_with_a_time_is_a_reading_of_that_time() -> None:
    """Its own clock says when; a relative or missing SenML time does not."""
    room = Room()
    room.say("worms/juniper/top", senml(t_s=NOW / 1000 - 60), retained=True)
    assert [t for t, *_ in room.take()["juniper-top.temperature"]] == [NOW - 60_000]
    room.say("worms/juniper/top", senml(t_s=None), retained=True)
    room.say("worms/juniper/top", senml(t_s=-60), retained=True)
    assert room.take() == {}
    assert room.intake.counts == {"retained": 2}


# Nobody's


def test_an_unknown_topic_is_kept_by_record_name_where_it_reads_as_senml() -> None:
    """JSON and CBOR packs are shown by their resolved names, anything else as a whole; 20 names at most."""
    room = Room()
    room.say("worms/new", '[{"bn":"a:","n":"t","v":1},{"n":"h","v":2}]')
    room.say("worms/new2", cbor2.dumps([{-2: "b:", 0: "t", 2: 1}]))
    room.say("worms/new3", "hello")
    room.say("worms/new4", "[" + ",".join(f'{{"n":"n{n:03}","v":1}}' for n in range(50)) + "]")
    assert room.strangers[:4] == [("worms/new", "a:h"), ("worms/new", "a:t"), ("worms/new2", "b:t"), ("worms/new3", "")]
    assert len(room.strangers) == 4 + 20
    assert room.intake.counts == {"unplaced": 24}
