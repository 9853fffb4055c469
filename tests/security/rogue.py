"""A probe gone mad: `python -m tests.security.rogue PORT KIND SECONDS MOST QOS` sends as fast as the broker takes it.

MQTT 3.1.1 is written out by hand, so that no client library slows it or refuses what no decent program would send.
Prints one line of JSON: messages and bytes that left, and how often the broker threw it out.
"""

import json
import random
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator
from itertools import count

import cbor2

START_MS = 1_262_304_000_000
"""2010-01-01, the earliest time the collector believes."""
_CHUNK = 64 * 1024


def packet(topic: bytes, payload: bytes, mid: int = 0) -> bytes:
    """One PUBLISH (MQTT 3.1.1 section 3.3); QoS 1 where there is a packet id."""
    identified = struct.pack("!H", mid) if mid else b""
    body = struct.pack("!H", len(topic)) + topic + identified + payload
    return bytes([0x32 if mid else 0x30]) + _length(len(body)) + body


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, seven = divmod(number, 128)
        out.append(seven | (0x80 if number else 0))
        if not number:
            return bytes(out)


def _pack(name: str, t_ms: int, value: float) -> bytes:
    return f'[{{"bn":"rogue:","bt":{t_ms / 1000:.3f},"n":"{name}","u":"Cel","v":{value}}}]'.encode()


def junk(number: int) -> tuple[bytes, bytes]:
    return b"worms/juniper/bottom", b"\x00\x1b[2J not a reading %d" % number


def names(number: int) -> tuple[bytes, bytes]:
    """A new SenML name each time, on a topic that a probe claims."""
    return b"worms/juniper/bottom", _pack(f"name-{number}", START_MS, 1.0)


def topics(number: int) -> tuple[bytes, bytes]:
    """A new topic each time, some of them long."""
    return b"worms/rogue/%d/" % number + b"x" * (30_000 if number % 100 == 0 else 0), _pack(
        "temperature", START_MS, 1.0
    )


def readings(number: int) -> tuple[bytes, bytes]:
    """Good readings of its own channel, each with a new time, going hot and cold by the hour."""
    t_ms = START_MS + number * 600_000
    return b"worms/juniper/bottom", _pack("temperature", t_ms, 40.0 if number // 6 % 2 else 20.0)


def crowded(number: int) -> tuple[bytes, bytes]:
    """As many readings in one message as the broker lets through, each with a new time."""
    first = START_MS + number * 700_000
    records = [f'{{"n":"temperature","v":{20 + n % 7},"t":{n}}}' for n in range(600)]
    return (
        b"worms/juniper/bottom",
        f'[{{"bn":"rogue:","bt":{first // 1000},{records[0][1:]},{",".join(records[1:])}]'.encode(),
    )


def times(number: int) -> tuple[bytes, bytes]:
    """From before 1970 to after 9999."""
    t_s = (-1e12, -1.0, 1.0, 1e9, 4e9, 2.5e11, 1e300)[number % 7]
    return b"worms/juniper/bottom", b'[{"n":"temperature","v":21,"t":%r}]' % t_s


def nested(number: int) -> tuple[bytes, bytes]:
    deep = (b"[" * 30_000, b'{"a":' * 6_000, b"\x81" * 30_000, b"\x9f" * 30_000, b"\xd9\xd9\xf7" * 9_000)[number % 5]
    return (b"worms/juniper/bottom", b"worms/maple/bottom", b"worms/maple/middle")[number % 3], deep


def costly(number: int) -> tuple[bytes, bytes]:
    """CBOR packs that take the reader the longest for their size."""
    return b"worms/maple/bottom", _COSTLY[number % 2]


_COSTLY = (cbor2.dumps([{0: "temperature", 2: 1.0, 6: n} for n in range(1_200)]), b"\x9f" + b"\xa0" * 32_000 + b"\xff")


def stolen(number: int) -> tuple[bytes, bytes]:
    """Another probe's topic, where nothing at the broker forbids it: what stands there is no reading of that probe."""
    return b"worms/maple/top", (b"nan", b"-1e999", _pack("moisture", START_MS, 9e99), b"")[number % 4]


def controls(number: int) -> tuple[bytes, bytes]:
    """Line ends, escapes, half characters in names, and in topics what UTF-8 allows beyond plain text."""
    name = ("a\\u0000b", "\\u001b[31m", "x\\ny", "\\ud800", "\\u202e", "'; DROP TABLE readings; --", "<script>")[
        number % 7
    ]
    topic = ("worms/\u202e\u2028/x", "worms/<script>", "worms/';--", "worms/juniper/bottom")[number % 4]
    return topic.encode(), f'[{{"n":"{name}","v":1}}]'.encode()


def huge(number: int) -> tuple[bytes, bytes]:
    """10 MB; the broker ends the connection over it."""
    return b"worms/juniper/bottom", _TEN_MB


_TEN_MB = b"[" + b" " * 10_000_000


KINDS: dict[str, Callable[[int], tuple[bytes, bytes]]] = {
    kind.__name__: kind
    for kind in (junk, names, topics, readings, crowded, times, nested, costly, stolen, controls, huge)
}


class Rogue:
    """Sends until `seconds` are over or `most` messages are out; comes back whenever it is thrown out."""

    def __init__(self, port: int, kind: str, seconds: float, most: int, qos: int) -> None:
        self._port, self._until, self._most, self._qos = port, time.monotonic() + seconds, most, qos
        self._messages = self._numbered(KINDS[kind])
        self.sent = self.sent_bytes = self.thrown_out = 0

    def _numbered(self, kind: Callable[[int], tuple[bytes, bytes]]) -> Iterator[bytes]:
        for number in count():
            yield packet(*kind(number), (number % 65_000 + 1) if self._qos else 0)

    @property
    def _over(self) -> bool:
        return time.monotonic() > self._until or self.sent >= self._most

    def run(self) -> None:
        while not self._over:
            try:
                with socket.create_connection(("127.0.0.1", self._port), timeout=20) as line:
                    self._flood(line)
            except OSError:
                self.thrown_out += 1

    def _flood(self, line: socket.socket) -> None:
        client_id = f"rogue-{random.getrandbits(48):x}".encode()
        body = b"\x00\x04MQTT\x04\x02\x00\x3c" + struct.pack("!H", len(client_id)) + client_id
        line.sendall(b"\x10" + _length(len(body)) + body)
        swallowing = threading.Thread(target=_swallow, args=(line,), daemon=True)
        swallowing.start()
        while not self._over:
            chunk, inside = bytearray(), 0
            while len(chunk) < _CHUNK and self.sent + inside < self._most:
                chunk += next(self._messages)
                inside += 1
            line.sendall(chunk)
            self.sent += inside
            self.sent_bytes += len(chunk)
        line.shutdown(socket.SHUT_WR)
        swallowing.join()  # the broker hangs up once it has read everything; to close before would lose the rest


def _swallow(line: socket.socket) -> None:
    """Read what is confirmed, or the broker would wait for it."""
    try:
        while line.recv(65_536):
            pass
    except OSError:
        return


def main() -> None:
    port, kind, seconds, most, qos = sys.argv[1:]
    rogue = Rogue(int(port), kind, float(seconds), int(most), int(qos))
    rogue.run()
    sys.stdout.write(
        json.dumps({"sent": rogue.sent, "mb": round(rogue.sent_bytes / 1e6, 1), "thrown_out": rogue.thrown_out})
    )


if __name__ == "__main__":
    main()
