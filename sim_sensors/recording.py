"""Recordings: what the broker would have got, one message a line, as JSON Lines in order of arrival.

    {"time_ms": 1772438406158, "topic": "worms/kettle", "qos": 1, "retain": false, "payload": "21.5"}

`time_ms` is when the message reaches the broker, ms UTC; the time of the reading is in the payload, if anywhere. A
payload that is not UTF-8 text, such as CBOR, stands as "payload_base64" instead of "payload".
"""

import base64
import binascii
import json
from collections.abc import Iterable, Iterator

from sim_sensors.pack import QOS, Pack


class BadRecording(Exception):
    """A line that is no message: file, line and what is wrong."""


def line(pack: Pack) -> str:
    head = f'{{"time_ms":{pack.t_ms},"topic":{json.dumps(pack.topic, ensure_ascii=False)},"qos":{QOS}'
    try:
        payload = f'"payload":{json.dumps(pack.payload.decode("utf-8"), ensure_ascii=False)}'
    except UnicodeDecodeError:
        payload = f'"payload_base64":"{base64.b64encode(pack.payload).decode("ascii")}"'
    return f'{head},"retain":{"true" if pack.retain else "false"},{payload}}}'


def packs(lines: Iterable[str], file: str) -> Iterator[Pack]:
    """The messages of a recording. Raises BadRecording; `file` is what it names."""
    for number, text in enumerate(lines, 1):
        try:
            yield _pack(json.loads(text))
        except (ValueError, KeyError, TypeError, binascii.Error) as wrong:
            what = f"'{wrong.args[0]}' is missing" if isinstance(wrong, KeyError) else f"no message ({wrong})"
            raise BadRecording(f"{file}:{number}: {what}; a line is {{'time_ms', 'topic', 'payload'}}") from None


def _pack(found: dict[str, object]) -> Pack:
    if "payload_base64" in found:
        payload = base64.b64decode(str(found["payload_base64"]), validate=True)
    else:
        payload = str(found["payload"]).encode()
    t_ms, topic = found["time_ms"], found["topic"]
    if not isinstance(t_ms, int) or not isinstance(topic, str):
        raise ValueError("time_ms is a whole number, topic is text")
    return Pack(t_ms, topic, payload, retain=found.get("retain") is True)
