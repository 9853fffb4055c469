"""How soon a person hears: from a reading published to the mail handed over to a real SMTP server, on-delay 0.

Each round publishes one hot reading of another tray, which is all that one person hears of: so every message is that
person's first, and none waits because enough was sent within the hour. The clock starts just before the publish and
stops when the mail server has the whole text. One round before the others is not counted: right after a start the
collector waits a second for what the broker may have held for it.
"""

import tempfile
import time
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.lab import LAB_NAME, pack
from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import HOT_AT_ONCE


def measure(whole: bool) -> dict[str, float | int]:
    rounds = 600 if whole else 120
    with tempfile.TemporaryDirectory() as name, SmtpServer() as mail, Mosquitto(Path(name) / "broker") as broker:
        home = Path(name) / "home"
        (home / "rules").mkdir(parents=True)
        (home / "lab.yaml").write_text(_lab_text(rounds + 1), encoding="utf-8")
        (home / "rules" / "site.yaml").write_text(HOT_AT_ONCE, encoding="utf-8")
        watch = Watch(
            home,
            {"MQTT__PORT": broker.port, "MAIL__HOST": mail.host, "MAIL__PORT": mail.port, "MAIL__SECURITY": "none"},
            anew=True,
        )
        watch.start()
        try:
            times = sorted(_rounds(broker.port, mail, rounds + 1)[1:])
        finally:
            watch.stop()
    return {
        "rounds": rounds,
        "p50_s": round(times[len(times) // 2], 4),
        "p99_s": round(times[min(len(times) - 1, len(times) * 99 // 100)], 4),
        "worst_s": round(times[-1], 4),
    }


def _lab_text(bins: int) -> str:
    """lab.yaml with so many bins of one tray, a probe in each, and a person for each."""
    lines = [f"lab: {{name: {LAB_NAME}, time_zone: UTC, units: metric}}", "bins:"]
    lines += [f"  bin-{number}: {{trays: {{top: {{}}}}}}" for number in range(bins)]
    lines.append("probes:")
    for number in range(bins):
        lines += [
            f"  probe-{number}:",
            f"    {{place: bin-{number}/top, topic: worms/bin-{number}/top, format: senml, every: 1 min, channels: {{"
            "temperature: {name: temperature, measure: bedding_temperature, unit: Cel, model: ds18b20}, "
            "moisture: {name: moisture, measure: bedding_moisture, unit: '/'}, "
            "battery: {name: battery, measure: battery, unit: V}}}",
        ]
    lines.append("people:")
    for number in range(bins):
        lines.append(f"  class-{number}: {{email: class-{number}@quillbrook.example, where: [bin-{number}]}}")
    return "\n".join([*lines, ""])


def _rounds(port: int, mail: SmtpServer, rounds: int) -> list[float]:
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    times = []
    for number in range(rounds):
        tray = f"bin-{number}/top"
        before = len(mail.accepted)
        began = time.perf_counter()
        client.publish(f"worms/{tray}", pack(tray, time.time(), 31.0, 0.76), qos=1)
        wait_until(lambda before=before: len(mail.accepted) > before, f"mail {number}", 10)  # type: ignore[misc]
        times.append(time.perf_counter() - began)
    client.disconnect()
    client.loop_stop()
    return times
