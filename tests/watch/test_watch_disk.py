"""The collector as a process on disks that are full, small or read-only: said once, none acknowledged, none lost."""

import resource
import sqlite3
import time
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from collector.cli.status.values import status
from collector.config.clock import system_now
from collector.config.home import Home
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.store.disks import read_only, small_disk
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
T0 = 1_772_438_400
STALLED = "journal cannot be written"


def fill_disk(watch: Watch) -> None:
    """No file of the running collector can grow any more; what it rewrites in place still can be written."""
    resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, (4_096, resource.RLIM_INFINITY))


def make_room(watch: Watch) -> None:
    resource.prlimit(watch.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


def publish(broker: Mosquitto, first: int, number: int) -> None:
    """So many packs of two readings, a second apart."""
    packs = (hot_pack(T0 + second, 21.0 + second % 4 / 16) for second in range(first, first + number))
    broker.publish_lines("worms/juniper/top", packs)


def held(watch: Watch) -> int:
    with closing(sqlite3.connect(f"{(watch.home / 'traywarden.db').as_uri()}?mode=ro", uri=True)) as db:
        return int(db.execute("SELECT count(*) FROM readings").fetchone()[0])


def shown(watch: Watch) -> dict[str, Any]:
    """What `status` shows, without a process of its own."""
    return status(Home(watch.home), None, system_now())


def fill_up(path: Path) -> None:
    with path.open("wb", buffering=0) as filler, suppress(OSError):
        while True:
            filler.write(b"x" * 512)


def resident_mb(watch: Watch) -> float:
    lines = Path(f"/proc/{watch.pid}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def test_a_full_disk_is_said_once_shown_by_status_and_costs_nothing(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """While it lasts: one line, `status` says so with what waits. Space returns: all stored once, and that is told."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    publish(mosquitto, 0, 5)
    wait_until(lambda: held(watch) == 10, "the first readings")
    fill_disk(watch)
    publish(mosquitto, 5, 100)
    wait_until(lambda: STALLED in watch.log, "the line")
    found = watch.status()
    assert STALLED in found["watch"]
    assert found["readings"] == 10
    wait_until(lambda: shown(watch)["backlog"] >= 100, "what waits to be shown")
    publish(mosquitto, 105, 100)
    make_room(watch)
    wait_until(lambda: held(watch) == 410, "everything", 20)
    wait_until(lambda: shown(watch)["watch"] == "running", "status to say so")
    watch.stop()
    assert watch.log.count(STALLED) == watch.log.count("can be written again; nothing was lost") == 1
    assert "Traceback" not in watch.log
    assert shown(watch)["readings"] == len(set(watch.exported())) == 410
    with closing(sqlite3.connect(watch.home / "traywarden.db")) as db:
        kinds = [kind for (kind,) in db.execute("SELECT kind FROM events WHERE kind LIKE 'journal%' ORDER BY id")]
    assert kinds == ["journal stalled", "journal recovered"]


def test_nothing_is_acknowledged_while_the_disk_is_full(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Killed in the middle of it: the broker still has every message, and the next start stores them."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    fill_disk(watch)
    publish(mosquitto, 0, 50)
    mosquitto.publish("worms/room/air", "19.5")
    wait_until(lambda: STALLED in watch.log, "the line")
    wait_until(lambda: shown(watch)["backlog"] >= 51, "all of them to be held")
    watch.kill()
    watch.start()
    wait_until(lambda: held(watch) == 101, "all of them")
    watch.stop()


def test_stopping_while_the_disk_is_full_loses_nothing_either(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """SIGTERM ends it with exit 0; what could not be stored stays with the broker."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    fill_disk(watch)
    publish(mosquitto, 0, 20)
    wait_until(lambda: STALLED in watch.log, "the line")
    assert watch.stop() == 0
    assert "Traceback" not in watch.log
    watch.start()
    wait_until(lambda: held(watch) == 40, "all of them")
    watch.stop()


def test_a_disk_with_no_room_left_at_all(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A real small disk filled to the last byte by something else, then cleared: the same promises."""
    with small_disk(tmp_path / "disk", 2_000) as disk:
        watch = Watch(make_home(disk / "home"), {"MQTT__PORT": mosquitto.port})
        watch.log_file = tmp_path / "watch.log"
        watch.start()
        try:
            publish(mosquitto, 0, 5)
            wait_until(lambda: held(watch) == 10, "the first readings")
            fill_up(disk / "filler")
            publish(mosquitto, 5, 2_000)
            wait_until(lambda: STALLED in watch.log, "the line", 20)
            assert "the disk is full" in watch.log
            wait_until(lambda: STALLED in shown(watch)["watch"], "what status says")
            (disk / "filler").unlink()
            wait_until(lambda: held(watch) == 4_010, "everything", 20)
            watch.stop()
            assert watch.log.count(STALLED) == 1
        finally:
            watch.kill()


def test_a_flood_that_asks_for_no_acknowledgement_stays_within_memory(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Disk full and 30,000 messages at QoS 0 at once: a bounded number is held, the rest is not even read."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    mosquitto.publish("worms/juniper/top", hot_pack(T0, 21.0))
    wait_until(lambda: held(watch) == 2, "the first reading")
    before = resident_mb(watch)
    fill_disk(watch)
    mosquitto.publish_lines("worms/juniper/top", (hot_pack(T0 + n, 21.5) for n in range(1, 30_000)), qos=0)
    wait_until(lambda: shown(watch)["backlog"] >= 8_000, "it to be held", 20)
    assert shown(watch)["backlog"] <= 10_000
    assert resident_mb(watch) - before < 60
    make_room(watch)
    wait_until(lambda: held(watch) >= 16_000, "what was held", 20)
    mosquitto.publish("worms/room/air", "19.5")
    wait_until(lambda: any(row["at"] == "room" for row in shown(watch)["probes"]), "a reading after it", 20)
    watch.stop()
    assert watch.log.count(STALLED) == 1


def test_a_read_only_disk_at_the_start_is_one_line_and_reading_still_works(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """`watch` ends with what is wrong; status, probes and export show what is there."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 5, 21.0))
    wait_until(lambda: held(watch) == 2, "the reading")
    watch.stop()
    with read_only(watch.home):
        done = watch.try_run("watch")
        assert done.returncode == 1
        assert done.stderr.count("\n") == 1
        assert "ead-only" in done.stderr
        assert shown(watch)["readings"] == 2
        assert len(watch.exported()) == 2
        assert "juniper-top" in watch.run("probes", "list")
        refused = watch.try_run("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top", "--by", "class")
        assert (refused.returncode, refused.stderr.count("\n")) == (1, 1)


def test_a_write_ahead_log_removed_while_running_costs_nothing(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A broom that sweeps through the home folder while readings come, then kill -9: everything that was published is
    in the journal of the next start, each once."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    publish(mosquitto, 0, 50)
    wait_until(lambda: held(watch) == 100, "the first readings")
    (watch.home / "traywarden.db-wal").unlink()
    publish(mosquitto, 50, 50)
    wait_until(lambda: "opening it anew" in watch.log, "the line that says so", 40)
    publish(mosquitto, 100, 50)
    watch.kill()
    watch.start()
    wait_until(lambda: held(watch) == 300, "all that was published", 40)
    assert watch.status()["duplicates"] == 0
    watch.stop()
