"""A board whose clock was far ahead, and is set right while the collector runs."""

from pathlib import Path

import pytest

from collector.store.reader import Reader
from tests.cli.in_process import InProcess
from tests.services.clock import FakeClock
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
YEAR_S = 365 * 86_400


def test_a_clock_set_back_leaves_no_alarm_blind(tmp_path: Path, mosquitto: Mosquitto, clock: FakeClock) -> None:
    """A reading is stamped a year ahead; the clock is set right, which is said once; a hot tray is still told."""
    clock.advance(s=YEAR_S)
    home = make_home(tmp_path / "home")
    with InProcess(home, mosquitto.port, now=clock) as watch:
        wait_until(lambda: any("connected" in line for line in watch.log), "the connection")
        mosquitto.publish("worms/juniper/top", hot_pack(clock() / 1000, 21.5))
        wait_until(lambda: _stored(home) == 2, "the reading", 20)
        clock.advance(s=-YEAR_S)
        wait_until(lambda: sum("connected" in line for line in watch.log) == 2, "the new beginning", 20)
        mosquitto.publish("worms/juniper/top", hot_pack(clock() / 1000, 33.0))
        wait_until(lambda: any((home / "outbox").glob("*.eml")), "the mail", 20)
        assert sum("the clock was set back" in line for line in watch.log) == 1


def _stored(home: Path) -> int:
    with Reader(home / "traywarden.db") as reader:
        return reader.readings_count()
