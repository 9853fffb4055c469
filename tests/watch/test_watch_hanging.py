"""Servers that take a connection and say nothing: the collector is as quick to reload and to stop as without them."""

import time
from pathlib import Path

import pytest

from tests.services.endless import endless, silent
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
T0 = 1_772_438_400
WITHIN_S = 15
"""Seconds; waiting for the servers took 49 and more."""


def test_reload_and_stop_wait_for_no_far_end(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """While mail and uplink hang, another lab.yaml is taken up and a stop is heard within seconds, and what comes
    meanwhile is stored."""
    with endless(silent) as mail, endless(silent) as uplink:
        settings = {
            "MQTT__PORT": mosquitto.port,
            "MAIL__HOST": "127.0.0.1",
            "MAIL__PORT": mail.port,
            "MAIL__SECURITY": "none",
            "UPLINK__URL": uplink.url,
            "UPLINK__BUCKET": "worms",
            "UPLINK__EVERY_S": 1,
        }
        watch = Watch(make_home(tmp_path / "home"), settings).start()
        mosquitto.publish_lines("worms/juniper/top", (hot_pack(T0 + second, 31.0) for second in range(5)))
        wait_until(lambda: mail.callers and uplink.callers, "both servers to be called", 30)
        lab = watch.home / "lab.yaml"
        began_s, before = time.monotonic(), watch.log.count("connected")
        lab.write_text(lab.read_text(encoding="utf-8").replace("Worm lab", "Worm room"), encoding="utf-8")
        wait_until(lambda: watch.log.count("connected") > before, "the next run", 60)
        assert time.monotonic() - began_s < WITHIN_S
        mosquitto.publish_lines("worms/juniper/top", (hot_pack(T0 + second, 31.0) for second in range(5, 10)))
        wait_until(lambda: watch.status()["readings"] == 20, "what came after it", 30)
        began_s = time.monotonic()
        watch.stop()
        assert time.monotonic() - began_s < WITHIN_S
