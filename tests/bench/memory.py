"""How much memory `watch` holds: resident size after a backlog, with a week of readings behind it and mail set up.

The home is filled with a week of one-minute readings of 24 series first, so that a start loads what a lab in use has.
"""

import re
import tempfile
import time
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.lab import TRAYS, fill, make_home, pack
from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch


def measure(whole: bool) -> dict[str, float | int]:
    messages = 60_000 if whole else 10_000
    days = 30 if whole else 7
    with tempfile.TemporaryDirectory() as name, SmtpServer() as mail, Mosquitto(Path(name) / "broker") as broker:
        home = make_home(Path(name) / "home")
        fill(home, days)
        watch = Watch(
            home,
            {"MQTT__PORT": broker.port, "MAIL__HOST": mail.host, "MAIL__PORT": mail.port, "MAIL__SECURITY": "none"},
            anew=True,
        )
        watch.start()
        started = resident_mb(watch.pid, "VmRSS")
        held = watch.status()["readings"]
        _publish(broker.port, messages)
        wait_until(lambda: watch.status()["readings"] >= held + messages * 3, "the backlog", 120)
        after = resident_mb(watch.pid, "VmRSS")
        peak = resident_mb(watch.pid, "VmHWM")
        watch.stop()
    return {"readings_before": held, "messages": messages, "rss_start_mb": started, "rss_mb": after, "peak_mb": peak}


def _publish(port: int, messages: int) -> None:
    client = Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(500)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    start_s = time.time() - 30
    for number in range(messages):
        tray = TRAYS[number % len(TRAYS)]
        info = client.publish(f"worms/{tray}", pack(tray, start_s + number / 1000, 21.5 + number % 3 / 16, 0.76), qos=1)
        if number % 2_000 == 1_999:
            info.wait_for_publish(60)
    info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def resident_mb(pid: int, what: str) -> float:
    found = re.search(rf"{what}:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text(encoding="ascii"))
    assert found is not None
    return round(int(found[1]) / 1024, 1)
