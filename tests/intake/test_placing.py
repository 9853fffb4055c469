"""From topic and record name to the series: wildcards, names whole and loose, several probes on one topic, bounds."""

import pytest

from collector.domain.lab import Format
from tests.intake.small_lab import Room


def test_a_plain_topic_is_claimed_by_its_probe_alone() -> None:
    """The exact topic, not one above, below or beside it."""
    room = Room()
    assert room.route_of("worms/juniper/top", "temperature") == "juniper-top.temperature"
    for other in (
        "worms/juniper",
        "worms/juniper/top/",
        "worms/juniper/top/x",
        "Worms/juniper/top",
        "worms/juniper/to",
    ):
        assert room.placing.routes(other) == ()


def test_a_plus_stands_for_any_one_level() -> None:
    """MQTT 5.0 section 4.7.1.3: '+' is one whole level, an empty one too, never two and never none."""
    room = Room()
    for topic in ("worms/room/air", "worms/x y/air", "worms//air"):
        assert room.route_of(topic, "") == "room-air.temperature"
    for topic in ("worms/air", "worms/a/b/air", "worms/room/air/x"):
        assert room.placing.routes(topic) == ()


@pytest.mark.parametrize("name", ["temperature", "urn:dev:mac:0024:temperature", "box/temperature", "a.temperature"])
def test_without_senml_name_any_base_name_may_come_before(name: str) -> None:
    """The topic tells the probe; the record ends in the channel's name after ':', '/' or '.'."""
    assert Room().route_of("worms/juniper/top", name) == "juniper-top.temperature"


@pytest.mark.parametrize("name", ["airtemperature", "temperature:x", "temperature/", "Temperature", "humidity", ""])
def test_a_loose_name_still_has_to_end_in_the_whole_word(name: str) -> None:
    """No part of a word, no word further in front, no other case."""
    assert Room().route_of("worms/juniper/top", name) is None


def test_with_senml_name_only_the_whole_name_counts() -> None:
    """Two boards on one topic are told apart by their names; anybody else is a stranger."""
    room = Room()
    assert room.route_of("worms/board", "urn:dev:mac:01:temperature") == "juniper-middle.temperature"
    assert room.route_of("worms/board", "urn:dev:mac:02:temperature") == "juniper-bottom.temperature"
    for name in ("temperature", "urn:dev:mac:03:temperature", "x/urn:dev:mac:01:temperature"):
        assert room.route_of("worms/board", name) is None


def test_one_pack_may_hold_several_probes_and_a_stranger() -> None:
    """Each record goes to its own probe; the unknown one is kept by its resolved name, with a sample."""
    room = Room()
    pack = (
        '[{"bn":"urn:dev:mac:0","bt":1772438400,"n":"1:temperature","u":"Cel","v":21},'
        '{"n":"2:temperature","u":"Cel","v":22},{"n":"3:temperature","u":"Cel","v":23}]'
    )
    room.say("worms/board", pack)
    assert room.values() == {"juniper-middle.temperature": [21.0], "juniper-bottom.temperature": [22.0]}
    assert room.strangers == [("worms/board", "urn:dev:mac:03:temperature")]
    assert room.intake.oddities[0].sample == pack.encode()[:200]


def test_json_probes_on_one_topic_with_a_time_each_make_a_route_each() -> None:
    """Two JSON probes that differ in where the time stands are read one after the other from the same message."""
    room = Room("""\
  top:
    place: maple/top
    topic: worms/maple
    format: json
    time: /a/at
    channels: {temperature: {pointer: /a/t, measure: bedding_temperature, unit: degC}}
  middle:
    place: maple/middle
    topic: worms/maple
    format: json
    time: /b/at
    channels: {temperature: {pointer: /b/t, measure: bedding_temperature, unit: degC}}
""")
    assert [route.format for route in room.placing.routes("worms/maple")] == [Format.JSON, Format.JSON]
    room.say("worms/maple", '{"a":{"at":1772438400,"t":20},"b":{"at":1772438401,"t":21}}')
    assert room.take() == {
        "top.temperature": [(1_772_438_400_000, 20.0, 20.0, 0)],
        "middle.temperature": [(1_772_438_401_000, 21.0, 21.0, 0)],
    }


def test_topics_from_outside_stay_bounded() -> None:
    """What is remembered never grows past its bound, and the right answer stays right."""
    room = Room()
    for number in range(20_000):
        room.placing.routes(f"worms/x{number}")
        assert room.placing.remembered <= 2_001
    assert room.route_of("worms/juniper/top", "moisture") == "juniper-top.moisture"
