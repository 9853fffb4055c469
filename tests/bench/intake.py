"""How fast a backlog drains: the whole collector against a subscriber on the same client library that does nothing.

Both take the same backlog of QoS 1 messages (SenML packs of three records) from one real Mosquitto with the settings
that ship, one after the other, twice, each in a process of its own. A rate is messages over the time from the first
one to the last one acknowledged (bare) or committed and acknowledged (pipeline).
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.lab import TRAYS, make_home, pack
from tests.services.mosquitto import Mosquitto

_HEALTHY = ((21.5, 0.76), (21.5625, 0.761), (21.4375, 0.759))


def measure(whole: bool) -> dict[str, float | int]:
    messages, rounds = (100_000, 3) if whole else (20_000, 2)
    rates: dict[str, list[float]] = {"bare": [], "pipeline": []}
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name) / "broker") as broker:
        make_home(Path(name) / "home")
        for turn in range(rounds):
            for who in rates:
                _run(who, broker.port, name, 0)  # registers its session, so that the broker queues for it
            _publish(broker.port, messages, turn)
            for who, found in rates.items():
                found.append(_run(who, broker.port, name, messages))
    bare, pipeline = median(rates["bare"]), median(rates["pipeline"])
    ratio = median(p / b for p, b in zip(rates["pipeline"], rates["bare"], strict=True))
    return {
        "messages": messages,
        "rounds": rounds,
        "bare_per_s": round(bare),
        "pipeline_per_s": round(pipeline),
        "readings_per_s": round(pipeline * 3),
        "ratio": round(ratio, 3),
    }


def _publish(port: int, messages: int, turn: int) -> None:
    """Readings a second apart on six trays, healthy and jittering, so that nothing but the ordinary happens."""
    client = Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1_000)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    start_s = int(time.time()) - 400_000 + turn * 150_000
    for number in range(messages):
        tray = TRAYS[number % len(TRAYS)]
        temperature, moisture = _HEALTHY[(number // len(TRAYS)) % 3]
        info = client.publish(f"worms/{tray}", pack(tray, start_s + number / len(TRAYS), temperature, moisture), qos=1)
        if number % 2_000 == 1_999:
            info.wait_for_publish(60)
    info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def _run(who: str, port: int, folder: str, messages: int) -> float:
    command = [sys.executable, "-m", f"tests.bench.drain_{who}", str(port), folder, str(messages)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{who}: {done.stderr[-2000:]}")
    return float(done.stdout.split()[-1])
