"""What a subscription brings."""

import re

from paho.mqtt.client import topic_matches_sub


def is_heard(topic: str, listens: str) -> bool:
    """Whether the subscription brings every message that a probe's topic, with '+' levels or without, can stand for.
    `listens`: a topic filter, also one that several share (MQTT 5.0 section 4.8.2)."""
    return topic_matches_sub(re.sub(r"^\$share/[^/]*/", "", listens), topic)
