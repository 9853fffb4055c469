"""What a broker delivers again, bounds on all that is kept, and payloads of every kind."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.intake.inbox import MOST_ODDITIES, REMEMBERED_ARRIVALS
from collector.intake.session import RECEIVE_MAXIMUM
from tests.intake import payloads
from tests.intake.small_lab import NOW, Room


def test_a_message_without_a_time_delivered_again_is_dropped_once() -> None:
    """Same packet id, same content, marked as delivered again: one reading, one count."""
    room = Room()
    room.say("worms/room/air", "19.5", mid=7)
    room.say("worms/room/air", "19.5", NOW + 900, mid=7, again=True)
    assert room.values() == {"room-air.temperature": [19.5]}
    assert room.intake.counts == {"redelivered": 1}
    assert len(room.intake.new_arrivals) == 1


@pytest.mark.parametrize(
    ("topic", "payload", "mid", "again"),
    [
        ("worms/room/air", "20.5", 7, True),
        ("worms/hall/air", "19.5", 7, True),
        ("worms/room/air", "19.5", 8, True),
        ("worms/room/air", "19.5", 7, False),
    ],
)
def test_anything_different_about_it_makes_it_a_new_message(topic: str, payload: str, mid: int, again: bool) -> None:
    """Packet ids are used again for new messages: other content, topic, id, or no mark of a redelivery is new."""
    room = Room()
    room.say("worms/room/air", "19.5", mid=7)
    room.say(topic, payload, NOW + 900, mid=mid, again=again)
    assert len(room.values()["room-air.temperature"]) == 2
    assert room.intake.counts == {}


def test_an_id_used_anew_forgets_the_old_content() -> None:
    """After id 7 carried another message, the first one marked as delivered again is not taken for it."""
    room = Room()
    for payload, again in (("19.5", False), ("20.5", False), ("19.5", True)):
        room.say("worms/room/air", payload, mid=7, again=again)
    assert room.values() == {"room-air.temperature": [19.5, 20.5, 19.5]}


def test_messages_at_qos_0_are_never_taken_for_one_another() -> None:
    """They have no packet id and are not remembered."""
    room = Room()
    for _ in range(3):
        room.say("worms/room/air", "19.5", mid=0, again=True)
    assert len(room.values()["room-air.temperature"]) == 3
    assert room.intake.arrivals == {}


def test_what_has_a_time_of_its_own_is_not_remembered() -> None:
    """Such a reading falls on its key when it comes again, so the memory is kept for those without."""
    room = Room()
    room.say("worms/juniper/top", '[{"n":"temperature","u":"Cel","v":21,"t":1772438400}]', mid=7)
    assert room.intake.arrivals == {}
    assert room.intake.new_arrivals == []


def test_one_record_without_a_time_is_enough_to_be_remembered() -> None:
    """A JSON probe without a time, a pack of which one record is relative to now: both are known again."""
    room = Room()
    pack = '[{"n":"temperature","u":"Cel","v":21,"t":1772438400},{"n":"moisture","u":"/","v":0.7,"t":-1}]'
    room.say("worms/juniper/top", pack, mid=7)
    room.say("worms/juniper/top", pack, NOW + 5_000, mid=7, again=True)
    assert {name: len(values) for name, values in room.values().items()} == {
        "juniper-top.temperature": 1,
        "juniper-top.moisture": 1,
    }


def test_the_memory_of_arrivals_is_a_ring() -> None:
    """It holds the newest 8,192 and no more, which is more than a broker may have on their way to us."""
    room, last = Room(), 10_000
    for mid in range(1, last + 1):
        room.say("worms/room/air", "19.5", NOW + mid, mid=mid)
    assert len(room.intake.arrivals) == REMEMBERED_ARRIVALS
    assert min(room.intake.arrivals) == last - REMEMBERED_ARRIVALS + 1
    room.take()
    room.say("worms/room/air", "19.5", NOW + 19_000, mid=last - REMEMBERED_ARRIVALS + 1, again=True)
    assert room.take() == {}
    assert RECEIVE_MAXIMUM <= REMEMBERED_ARRIVALS


def test_a_restart_remembers_what_the_journal_kept() -> None:
    """An intake made from the arrivals of the one before knows its messages again."""
    first = Room()
    first.say("worms/room/air", "19.5", mid=7)
    second = Room(arrivals=dict(first.intake.new_arrivals))
    second.say("worms/room/air", "19.5", NOW + 60_000, mid=7, again=True)
    assert second.take() == {}
    assert second.intake.counts == {"redelivered": 1}


def test_oddities_are_bounded_and_all_counted() -> None:
    """However much junk comes in before the next look, 200 samples are kept and every message is counted."""
    room = Room()
    for number in range(5_000):
        room.say("worms/room/air", f"junk {number}")
        room.say(f"worms/new/{number}", b"x" * 1_000)
    assert len(room.intake.oddities) == MOST_ODDITIES
    assert room.intake.counts == {"rejected": 5_000, "unplaced": 5_000}
    assert max(len(one.sample) for one in room.intake.oddities) == 200


_TOPICS = st.sampled_from(
    [
        "worms/juniper/top",
        "worms/board",
        "worms/maple/top",
        "worms/maple/middle",
        "worms/kettle/oxygen",
        "worms/kettle/pump",
        "worms/room/air",
        "worms/nobody",
    ]
)
_PAYLOADS = (
    st.binary(max_size=80)
    | payloads.packs.map(payloads.as_cbor)
    | payloads.json_trees
    | payloads.cbor_trees
    | payloads.damaged(payloads.json_trees)
    | st.text(max_size=20).map(lambda text: text.encode("utf-8", "surrogatepass"))
    | st.floats().map(lambda number: str(number).encode())
    | st.floats().map(lambda number: f'{{"at":{number},"bed":{{"t":1e308,"m":{number}}},"o2":-1e308}}'.encode())
    | st.floats().map(lambda number: f'[{{"n":"temperature","u":"K","v":{number},"t":{number}}}]'.encode())
)


@given(
    st.lists(st.tuples(_TOPICS, _PAYLOADS, st.integers(0, 3), st.booleans(), st.booleans()), min_size=1, max_size=6),
    st.integers(0, 4_102_444_800_000),
)
@settings(max_examples=60, deadline=None)
def test_no_payload_in_any_format_raises(sent: list[tuple[str, bytes, int, bool, bool]], now_ms: int) -> None:
    """Whatever comes in is a reading, a stranger, refused with a printable reason, or known: nothing is raised, and
    what is kept is in bounds, in whole columns, at a time no further ahead than is let pass."""
    room = Room()
    for topic, payload, mid, again, retained in sent:
        room.say(topic, payload, now_ms, mid=mid, again=again, retained=retained)
    for readings in room.take().values():
        for t_ms, raw, value, why in readings:
            assert type(t_ms) is int
            assert type(raw) is type(value) is float
            assert t_ms <= now_ms + 300_000
            assert 0 <= why < 2**16
    assert all(reason.isprintable() for reason in room.reasons)
    assert all(len(one.sample) <= 200 for one in room.intake.oddities)
