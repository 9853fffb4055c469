"""What senders make the intake hold: measured in bytes, whatever names, topics and texts they make up."""

import gc
import tracemalloc
from collections.abc import Iterator

import pytest

from tests.intake.small_lab import Room

_PLUS = """\
  any-tray:
    place: juniper/top
    topic: worms/+/any
    format: senml
    channels: {temperature: {name: temperature, measure: bedding_temperature, unit: Cel}}
"""


@pytest.fixture
def traced() -> Iterator[None]:
    gc.collect()
    tracemalloc.start()
    yield
    tracemalloc.stop()


def held_mb() -> float:
    gc.collect()
    return tracemalloc.get_traced_memory()[0] / 1e6


@pytest.mark.slow
@pytest.mark.usefixtures("traced")
def test_senders_of_one_plus_topic_share_what_is_remembered() -> None:
    """A hundred senders behind one '+', each with a thousand record names of its own: under 2 MB for all together."""
    room = Room(_PLUS)
    before = held_mb()
    for sender in range(100):
        (route,) = room.placing.routes(f"worms/sender-{sender}/any")
        for number in range(1_000):
            assert route.slot(f"{sender}-{number}-" + "n" * 100) is None
    assert held_mb() - before < 2
    assert room.route_of("worms/sender-7/any", "urn:dev:temperature") == "any-tray.temperature"


@pytest.mark.usefixtures("traced")
def test_topics_behind_a_plus_hold_one_route() -> None:
    """A thousand topics that the same probes claim lead to one and the same route."""
    room = Room(_PLUS)
    before = held_mb()
    routes = {id(room.placing.routes(f"worms/{number}/any")[0]) for number in range(1_000)}
    assert len(routes) == 1
    assert held_mb() - before < 1


_LONG = "W" * 180_000
LONG_TEXTS = {
    "unit": f'[{{"n":"temperature","u":"{_LONG}","v":1}}]',
    "base unit": f'[{{"bu":"{_LONG}","n":"temperature","v":1}}]',
    "text": f'[{{"n":"temperature","vs":"{_LONG}"}}]',
    "name": f'[{{"n":"{_LONG}","v":1}}]',
    "label": f'[{{"{_LONG}_":1,"n":"temperature","v":1}}]',
    "data": f'[{{"n":"temperature","vd":"{_LONG}"}}]',
    "no pack": f'"{_LONG}"',
}


@pytest.mark.slow
@pytest.mark.usefixtures("traced")
@pytest.mark.parametrize(
    ("topic", "where"),
    [*(("worms/juniper/top", where) for where in LONG_TEXTS), ("worms/stranger/" + "t" * 60_000, "unit")],
)
def test_no_text_of_a_message_is_kept_whole(topic: str, where: str) -> None:
    """Thirty messages with a text of 180 kB, wherever it stands: what is kept of all is under 200 kB, each part of
    it within its bound, and the reason is one line that still says what is right."""
    room = Room()
    payload = LONG_TEXTS[where].encode()
    before = held_mb()
    for _ in range(30):
        room.say(topic, payload)
    room.take()
    assert held_mb() - before < 0.2
    assert room.intake.oddities
    for one in room.intake.oddities:
        assert len(one.topic) <= 200
        assert len(one.name) <= 255
        assert len(one.reason) <= 300
        assert one.reason.isprintable() or not one.reason
        assert len(one.sample) <= 200


def test_a_unit_that_was_cut_leaves_room_for_what_is_right() -> None:
    """The reason names the start of the unit and what the channel takes."""
    room = Room()
    room.say("worms/juniper/top", LONG_TEXTS["unit"])
    (reason,) = room.reasons
    assert reason.startswith("'temperature' has unit 'WWWW")
    assert "the channel takes Cel" in reason
