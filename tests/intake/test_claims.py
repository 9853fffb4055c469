"""What probes claim: topics with and without '+', names within them."""

from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from collector.domain.lab import Channel, Format
from collector.intake.claims import Claims
from collector.intake.placing import topic_fits
from tests.worlds.values import lab, probe, tray

_LEVELS = st.lists(st.sampled_from(["", "+", "a", "b", "$SYS"]), min_size=1, max_size=4)


@given(_LEVELS, st.lists(st.sampled_from(["", "a", "b", "$SYS"]), min_size=1, max_size=4))
def test_a_topic_fits_as_the_client_library_has_it(claimed: list[str], topic: list[str]) -> None:
    """MQTT's rule for '+', checked against paho-mqtt."""
    assert topic_fits("/".join(claimed), "/".join(topic)) == topic_matches_sub("/".join(claimed), "/".join(topic))


def test_a_record_is_claimed_by_its_name_and_a_number_by_its_topic() -> None:
    """SenML may hold records of several probes; all else that comes at a topic is its probe's."""
    moisture = Channel(key="m", measure="bedding_moisture", unit="%", name="moisture")
    claims = Claims(
        lab(
            places=(tray("juniper/top"), tray("maple/top")),
            probes=(
                probe("named", "juniper/top", moisture, topic="worms/a"),
                probe("plain", "maple/top", moisture, topic="worms/+/b", format=Format.NUMBER),
            ),
        )
    )
    assert claims.claimed("worms/a", "moisture")
    assert claims.claimed("worms/a", "urn:dev:mac:1:moisture")
    assert claims.claimed("worms/a", "")
    assert not claims.claimed("worms/a", "temperature")
    assert claims.claimed("worms/x/b", "temperature")
    assert not claims.claimed("worms/b", "")
