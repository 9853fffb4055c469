"""The running collector with an uplink, as processes: three labs into one real database, and the commands beside it."""

import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.services.mosquitto import Mosquitto
from tests.services.victoria import Victoria
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.uplink.far_end import TOKEN, FarEnd
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service
FIRST_S = 1_772_438_400


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    with Victoria(tmp_path / "victoria") as running:
        yield running


def uplinked(home: Path, broker: Mosquitto, url: str, lab: str) -> Watch:
    return Watch(
        home,
        {
            "MQTT__PORT": broker.port,
            "UPLINK__URL": url,
            "UPLINK__BUCKET": "worms",
            "UPLINK__TOKEN": TOKEN,
            "UPLINK__SITE": "district",
            "UPLINK__LAB": lab,
            "UPLINK__EVERY_S": 1,
        },
    )


def _sent(watch: Watch) -> bool:
    status = watch.status()
    return bool(status["readings"] == 20 and status["uplink"]["waiting"] == 0)


@pytest.mark.slow
def test_three_collectors_share_one_database(tmp_path: Path, mosquitto: Mosquitto, victoria: Victoria) -> None:
    """A collector a lab, each with its own journal; what was published is in the one database, once for each lab."""
    labs = ("north", "south", "west")
    watches = [uplinked(make_home(tmp_path / lab), mosquitto, victoria.url, lab).start() for lab in labs]
    for number in range(10):
        mosquitto.publish("worms/juniper/top", hot_pack(FIRST_S + 60 * number, 20 + number / 16))
    for watch in watches:
        wait_until(partial(_sent, watch), "everything sent", 30)
    held = victoria.held('bedding_temperature_value{site="district"}')
    expected = [((FIRST_S + 60 * number) * 1000, 20 + number / 16) for number in range(10)]
    assert {key[0]: values for key, values in held.items()} == dict.fromkeys(labs, expected)
    for watch in watches:
        assert watch.stop() == 0


@pytest.mark.slow
def test_the_uplink_says_how_it_is_and_fills_a_stretch_again(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Status with position and lag, text and JSON; backfill under another name sends all of it once more."""
    with FarEnd() as far:
        watch = uplinked(make_home(tmp_path / "home"), mosquitto, far.url, "north").start()
        for number in range(10):
            mosquitto.publish("worms/juniper/top", hot_pack(FIRST_S + 60 * number, 20 + number / 16))
        wait_until(lambda: len(far.named("bedding_temperature")) == 10, "readings at the other end", 20)
        wait_until(lambda: watch.status()["uplink"]["waiting"] == 0, "marked as sent", 20)
        assert watch.status()["uplink"] == {
            "sent_until": "2026-03-02T08:09:00Z",
            "lag_s": 0,
            "waiting": 0,
            "set_aside": 0,
            "note": "",
        }
        assert "sent until 2026-03-02 08:09 (UTC)" in watch.run("uplink", "status")
        watch.settings["UPLINK__LAB"] = "south"
        said = watch.run("uplink", "backfill", "--since", "2026-03-02T08:00Z", "--until", "2026-03-02T08:05Z")
        assert "10 lines sent, from 2026-03-02 08:00 to 2026-03-02 08:05 (UTC)" in said
        assert sum(tags["lab"] == "south" for tags, _, _ in far.named("bedding_temperature")) == 5
        far.refuses = f" {FIRST_S * 1000}"
        refused = watch.try_run("uplink", "backfill", "--until", "2026-03-02T08:01Z")
        assert refused.returncode == 1
        assert "field type conflict" in refused.stderr
        assert watch.stop() == 0
        assert TOKEN not in watch.log


def test_what_is_wrong_with_the_settings_is_said_in_one_line(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """No uplink, no bucket, and another end that is away for good."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    mosquitto.publish("worms/juniper/top", hot_pack(FIRST_S, 20))
    wait_until(lambda: watch.status()["readings"] == 2, "two readings", 20)
    assert watch.status()["uplink"] is None
    assert watch.run("uplink", "status") == "no uplink is set up\n"
    assert watch.try_run("uplink", "backfill").stderr == (
        "no uplink is set up; set TRAYWARDEN_UPLINK__URL and __BUCKET\n"
    )
    assert watch.stop() == 0
    watch.settings["UPLINK__URL"] = "http://127.0.0.1:9"
    assert "TRAYWARDEN_UPLINK__BUCKET" in watch.try_run("uplink", "backfill").stderr


@pytest.mark.slow
def test_without_its_package_the_collector_goes_on(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the uplink is set up and its package cannot be imported: one line in the log, a fix in `checkup`, a note in
    `uplink status`, one line of `backfill`; readings are kept as ever. Once it is there, everything is sent."""
    broken = tmp_path / "broken"
    broken.mkdir()
    raising = "raise ModuleNotFoundError(\"No module named 'influxdb_client'\", name='influxdb_client')\n"
    (broken / "influxdb_client.py").write_text(raising, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(broken))
    says = "influxdb_client is not installed, so nothing is sent; install what deploy/requirements.txt names"
    with FarEnd() as far:
        watch = uplinked(make_home(tmp_path / "home"), mosquitto, far.url, "north").start()
        mosquitto.publish("worms/juniper/top", hot_pack(FIRST_S, 20))
        wait_until(lambda: watch.status()["readings"] == 2, "two readings", 20)
        assert f"fix   uplink    {says}" in watch.run("checkup", code=1)
        assert says in watch.run("uplink", "status")
        assert watch.try_run("uplink", "backfill").stderr == f"{says}\n"
        assert watch.stop() == 0
        assert (watch.log.count(says), watch.log.count("Traceback")) == (1, 0)

        monkeypatch.delenv("PYTHONPATH")
        watch.start()
        wait_until(lambda: len(far.named("bedding_temperature")) == 1, "the reading at the other end", 20)
        wait_until(lambda: watch.status()["uplink"]["note"] == "", "the note taken away", 20)
        assert f"good  uplink    {far.url} answers and takes the token" in watch.try_run("checkup").stdout
        assert watch.stop() == 0


@pytest.mark.parametrize(
    ("setting", "value", "says"),
    [
        ("UPLINK__URL", "http://" + "a" * 70 + ".example", "cannot be asked: its address is not one"),
        ("UPLINK__TOKEN", "two\nlines", "cannot be asked"),
    ],
)
def test_an_uplink_that_cannot_work_is_a_line_and_a_fix(
    tmp_path: Path, mosquitto: Mosquitto, setting: str, value: str, says: str
) -> None:
    """An address that is none, a token that no request can hold: collecting goes on, and the token is not shown."""
    with FarEnd() as far:
        watch = uplinked(make_home(tmp_path / "home"), mosquitto, far.url, "north")
        watch.settings[setting] = value
        watch.start()
        mosquitto.publish("worms/juniper/top", hot_pack(FIRST_S, 20))
        wait_until(lambda: watch.status()["readings"] == 2, "two readings", 20)
        wait_until(lambda: "uplink waits" in watch.log, "the line of the uplink", 20)
        (line,) = [line for line in watch.run("checkup", code=1).splitlines() if " uplink " in line]
        assert line.startswith("fix ")
        assert says in line
        assert watch.stop() == 0
        assert (watch.log.count("uplink waits"), watch.log.count("Traceback")) == (1, 0)
        assert "lines" not in watch.log


def test_a_collector_without_uplink_loads_nothing_of_it() -> None:
    """Neither the library nor our own room takes memory where no uplink is set up."""
    code = (
        "import sys, collector.watch.daemon, collector.cli.main;"
        "sys.exit(any(name.startswith(('influxdb_client', 'collector.uplink')) for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
