"""A real `watch` on a board without a clock of its own: it starts in 1970, and the time is set while it runs."""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.config.clock import system_now
from collector.config.home import Home
from collector.store.watch_state import read_state
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
_CLOCK = """\
import datetime, os, time
real = time.time_ns
began = real()
time.time_ns = lambda: real() if os.path.exists({set_file!r}) else real() - began + 5_000_000_000
time.time = lambda: time.time_ns() / 1e9
class Moment(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return cls.fromtimestamp(time.time(), tz)
datetime.datetime = Moment
import collector.watch.upkeep
collector.watch.upkeep.STATE_EVERY_S = {sign_every_s!r}
"""
"""Python runs a file of this name at its start: the clock says 1970-01-01T00:00:05 until the other file is there."""
_SIGN_EVERY_S = 2.0
"""Not once a minute, which is long for a test."""


@pytest.fixture
def in_1970(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[tuple[Watch, Path]]:
    """Running and connected; the clock is right as soon as the file is there."""
    set_file, python_path = tmp_path / "clock-is-set", tmp_path / "python"
    python_path.mkdir()
    program = _CLOCK.format(set_file=str(set_file), sign_every_s=_SIGN_EVERY_S)
    (python_path / "sitecustomize.py").write_text(program, encoding="utf-8")
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port})
    watch.environ["PYTHONPATH"] = str(python_path)
    watch.start()
    try:
        yield watch, set_file
    finally:
        if watch.running:
            watch.kill()
        sys.stdout.write(watch.log)


def peak_mb(watch: Watch) -> float:
    """The most memory it ever had."""
    lines = Path(f"/proc/{watch.pid}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))


def cpu_s(watch: Watch) -> float:
    """Seconds it has worked."""
    words = Path(f"/proc/{watch.pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / 100


def last_sign_ms(watch: Watch) -> int:
    """When it last said that it is alive, by its own clock; it does so again and again, as it does other things."""
    state = read_state(Home(watch.home).sign_of_life)
    return state.alive_ms if state is not None else 0


def stores(watch: Watch, mosquitto: Mosquitto, total: int) -> None:
    """One more reading is published, and stored within seconds; then there are so many."""
    mosquitto.publish("worms/room/air", "19.5")
    wait_until(lambda: watch.status()["readings"] == total, "a reading after it", 5)


@pytest.mark.slow
def test_a_clock_set_from_1970_to_now_costs_nothing(in_1970: tuple[Watch, Path], mosquitto: Mosquitto) -> None:
    """56 years of upkeep are not made up for one by one: the next reading is stored and judged at once, hardly any
    memory or work is spent, and SIGTERM ends it in order within seconds."""
    watch, set_file = in_1970
    wait_until(lambda: last_sign_ms(watch) > 0, "its sign of life")
    memory_mb, work_s = peak_mb(watch), cpu_s(watch)
    set_file.touch()
    mosquitto.publish("worms/juniper/top", hot_pack(system_now() / 1000, 33.0))
    wait_until(lambda: watch.status()["readings"] == 2, "the reading", 10)
    wait_until(lambda: any((watch.home / "outbox").glob("*.eml")), "the mail about the hot tray", 10)
    wait_until(lambda: last_sign_ms(watch) > system_now() - 60_000, "the next thing done by the clock", 30)
    for total in range(3, 23):
        stores(watch, mosquitto, total)
    assert peak_mb(watch) - memory_mb < 40
    assert cpu_s(watch) - work_s < 6
    began_s = time.monotonic()
    assert watch.stop() == 0
    assert time.monotonic() - began_s < 5
    assert "Traceback" not in watch.log


def test_a_stop_right_after_the_clock_was_set_is_heard(in_1970: tuple[Watch, Path]) -> None:
    """SIGTERM in the very moment in which all of it is due."""
    watch, set_file = in_1970
    set_file.touch()
    began_s = time.monotonic()
    assert watch.stop() == 0
    assert time.monotonic() - began_s < 5
    assert "Traceback" not in watch.log
