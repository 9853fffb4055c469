"""What arrives at a broker, kept by a session of its own from before the probe starts."""

import subprocess
from collections.abc import Sequence

from tests.services.mosquitto import Mosquitto
from tests.services.parts import need

_END = "worms/end"


class Inbox:
    def __init__(self, broker: Mosquitto, more: Sequence[str] = ()) -> None:
        self._broker = broker
        self._command = [
            *(need("mosquitto_sub"), "-h", broker.host, "-p", str(broker.port), "-i", "inbox", "-c", "-q", "1"),
            *("-t", "worms/#", *more),
        ]
        subprocess.run([*self._command, "-E"], check=True, timeout=20)

    def take(self) -> list[bytes]:
        """All payloads since the last call, in the order they came."""
        self._broker.publish(_END, "end")
        reader = subprocess.Popen(self._command, stdout=subprocess.PIPE)
        assert reader.stdout is not None
        packs: list[bytes] = []
        while (line := reader.stdout.readline().rstrip(b"\n")) != b"end":
            assert line, "the subscriber ended early"
            packs.append(line)
        reader.stdout.close()
        reader.terminate()
        reader.wait(timeout=20)
        return packs
