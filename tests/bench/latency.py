"""How soon a person hears: from a reading published to the mail handed over to a real SMTP server, on-delay 0.

Each round publishes one hot reading of another tray (or its return), so that every message has its own alarm change.
The clock starts just before the publish and stops when the mail server has the whole text.
"""

import tempfile
import time
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.app.lab import HOT_AT_ONCE
from tests.bench.lab import TRAYS, make_home, pack
from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch


def measure(whole: bool) -> dict[str, float | int]:
    rounds = 600 if whole else 120
    with tempfile.TemporaryDirectory() as name, SmtpServer() as mail, Mosquitto(Path(name) / "broker") as broker:
        home = make_home(Path(name) / "home")
        (home / "rules").mkdir()
        (home / "rules" / "site.yaml").write_text(HOT_AT_ONCE, encoding="utf-8")
        watch = Watch(
            home,
            {"MQTT__PORT": broker.port, "MAIL__HOST": mail.host, "MAIL__PORT": mail.port, "MAIL__SECURITY": "none"},
        )
        watch.start()
        try:
            times = sorted(_rounds(broker.port, mail, rounds))
        finally:
            watch.stop()
    return {
        "rounds": rounds,
        "p50_s": round(times[len(times) // 2], 4),
        "p99_s": round(times[min(len(times) - 1, len(times) * 99 // 100)], 4),
        "worst_s": round(times[-1], 4),
    }


def _rounds(port: int, mail: SmtpServer, rounds: int) -> list[float]:
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    times = []
    start_s = int(time.time()) - rounds * 60
    for number in range(rounds):
        tray = TRAYS[number % len(TRAYS)]
        celsius = 31.0 if number // len(TRAYS) % 2 == 0 else 28.0
        before = len(mail.accepted)
        began = time.perf_counter()
        client.publish(f"worms/{tray}", pack(tray, start_s + number * 60, celsius, 0.76), qos=1)
        wait_until(lambda before=before: len(mail.accepted) > before, f"mail {number}", 10)  # type: ignore[misc]
        times.append(time.perf_counter() - began)
    client.disconnect()
    client.loop_stop()
    return times
