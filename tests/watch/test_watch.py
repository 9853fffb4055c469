"""The collector as a process against a real Mosquitto: formats in, rows out, and what happens when the broker goes."""

import json
import time
from collections.abc import Callable
from pathlib import Path

import cbor2
import pytest

from tests.services.certificates import Authority
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path / "home")


def _watch(home: Path, broker: Mosquitto, **settings: object) -> Watch:
    return Watch(home, {"MQTT__PORT": broker.port, **settings})


def _stored(watch: Watch, number: int) -> None:
    wait_until(lambda: watch.status()["readings"] >= number, f"{number} readings stored", 20)


def test_each_format_comes_out_of_export(home: Path, mosquitto: Mosquitto) -> None:
    """What mosquitto_pub sends as SenML JSON, SenML CBOR, JSON and a bare number is exported in its unit."""
    watch = _watch(home, mosquitto).start()
    mosquitto.publish("worms/juniper/top", hot_pack(1_772_438_400, 21.5))
    mosquitto.publish("worms/juniper/middle", cbor2.dumps([{-3: 1_772_438_400, 0: "temperature", 1: "Cel", 2: 20.25}]))
    mosquitto.publish("worms/maple/top", '{"at":"2026-03-02T08:00:00Z","bed":{"temperature":68,"soil":1785}}')
    mosquitto.publish("worms/room/air", "19.5")
    _stored(watch, 6)
    rows = [line.split(",") for line in watch.exported()]
    assert [row[1:] for row in rows[:5]] == [
        ["juniper", "top", "juniper-top", "bedding_temperature", "degC", "21.5", "1"],
        ["juniper", "top", "juniper-top", "bedding_moisture", "%", "76.0", "1"],
        ["juniper", "middle", "juniper-middle", "bedding_temperature", "degC", "20.25", "1"],
        ["maple", "top", "maple-top", "bedding_temperature", "degC", "20.0", "1"],
        ["maple", "top", "maple-top", "bedding_moisture", "%", "73.0", "1"],
    ]
    assert {row[0] for row in rows[:5]} == {"2026-03-02T08:00:00.000Z"}
    assert rows[5][1:] == ["room", "", "room-air", "air_temperature", "degC", "19.5", "1"]
    assert watch.stop() == 0


def test_nothing_is_lost_while_the_broker_restarts_twice(home: Path, mosquitto: Mosquitto) -> None:
    """Readings published before, between and after two broker restarts are all stored, each once."""
    watch = _watch(home, mosquitto).start()
    for turn in range(3):
        for number in range(20):
            mosquitto.publish("worms/juniper/top", hot_pack(1_772_438_400 + turn * 100 + number, 21.0 + number / 16))
        if turn < 2:
            mosquitto.restart(kill=turn == 0)
    _stored(watch, 120)
    assert watch.status()["readings"] == 120
    assert len(set(watch.exported())) == 120
    watch.stop()


def test_a_reading_sent_while_the_collector_is_off_arrives_once_it_is_back(home: Path, mosquitto: Mosquitto) -> None:
    """The broker keeps the session: what comes in while nobody collects is stored at the next start."""
    for version in ("5", "3.1.1"):
        watch = _watch(home, mosquitto, MQTT__VERSION=version, MQTT__CLIENT_ID=f"kept-{version}").start()
        watch.stop()
        before = watch.status()["readings"]
        mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 5, 21.5))
        watch.start("session resumed")
        _stored(watch, before + 2)
        watch.stop()


def test_a_wrong_password_is_one_clear_line_and_mended_by_the_right_one(
    home: Path, start_mosquitto: Callable[..., Mosquitto]
) -> None:
    """Refused by the broker: one line names the two settings, no secret; with the right password it connects."""
    broker = start_mosquitto(password="damp blanket")
    watch = _watch(home, broker, MQTT__USERNAME="probe", MQTT__PASSWORD="wrong-guess").start("refused us")
    wait_until(lambda: "TRAYWARDEN_MQTT__PASSWORD" in watch.log, "the setting to be named")
    watch.stop()
    assert "wrong-guess" not in watch.log
    assert "Traceback" not in watch.log
    assert watch.log.count("refused us") == 1
    watch.settings["MQTT__PASSWORD"] = "damp blanket"
    watch.start()
    broker.publish("worms/room/air", "19.5")
    _stored(watch, 1)
    watch.stop()


def test_a_certificate_nobody_vouches_for_is_one_clear_line(
    home: Path, tmp_path: Path, start_mosquitto: Callable[..., Mosquitto]
) -> None:
    """TLS with another authority's certificate is refused in one line; with the right CA file it connects."""
    ours, other = Authority(tmp_path / "ours"), Authority(tmp_path / "other", "Another authority")
    broker = start_mosquitto(tls=ours.issue())
    watch = _watch(home, broker, MQTT__CA_FILE=other.issue().ca_file).start("not trusted")
    watch.stop()
    assert "TRAYWARDEN_MQTT__CA_FILE" in watch.log
    assert "Traceback" not in watch.log
    watch.settings["MQTT__CA_FILE"] = ours.issue().ca_file
    watch.start()
    broker.publish("worms/room/air", "19.5")
    _stored(watch, 1)
    watch.stop()


def test_no_broker_is_one_clear_line_and_it_connects_when_one_comes(
    home: Path, start_mosquitto: Callable[..., Mosquitto]
) -> None:
    """Started before the broker: says so once, keeps trying, connects by itself."""
    port = free_port()
    watch = Watch(home, {"MQTT__PORT": port}).start("nothing listens there")
    assert watch.log.count("nothing listens there") == 1
    broker = start_mosquitto(port=port)
    wait_until(lambda: "connected" in watch.log, "the connection", 20)
    broker.publish("worms/room/air", "19.5")
    _stored(watch, 1)
    watch.stop()


def test_a_second_program_with_our_client_id_is_recognised(home: Path, tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Pushed out by another client of the same id: the line says so and which setting to change."""
    watch = _watch(home, mosquitto, MQTT__CLIENT_ID="same").start()
    rival = _watch(make_home(tmp_path / "rival"), mosquitto, MQTT__CLIENT_ID="same").start()
    wait_until(lambda: "another program uses the client id 'same'" in watch.log, "the rival to be named", 15)
    assert "TRAYWARDEN_MQTT__CLIENT_ID" in watch.log
    rival.stop()
    watch.stop()


def test_what_cannot_be_placed_or_read_is_kept_for_the_maintainer(home: Path, mosquitto: Mosquitto) -> None:
    """An unknown topic is kept as unplaced with a sample and can be assigned; junk is counted with its reason."""
    watch = _watch(home, mosquitto).start()
    mosquitto.publish("worms/maple/middle", '[{"bn":"urn:dev:mac:77:","n":"temperature","u":"Cel","v":20.5}]')
    mosquitto.publish("worms/juniper/top", '[{"n":"temperature","u":"Cel","v":')
    mosquitto.publish("worms/juniper/top", '[{"n":"temperature","u":"lx","v":3}]')
    wait_until(lambda: watch.status()["rejected"] == 2 and watch.status()["unplaced"] == 1, "both kept", 10)
    listed = json.loads(watch.run("probes", "list", "--json"))["unplaced"]
    assert [(one["topic"], one["name"], one["count"]) for one in listed] == [
        ("worms/maple/middle", "urn:dev:mac:77:temperature", 1)
    ]
    assign = ("probes", "assign", "maple-middle", "--at", "maple/middle", "--topic", "worms/maple/middle")
    watch.run(*assign, "--channel", "temperature=bedding_temperature,unit=Cel,model=ds18b20")
    wait_until(lambda: watch.log.count("connected") == 2, "lab.yaml to be taken up")
    mosquitto.publish("worms/maple/middle", '[{"bn":"urn:dev:mac:77:","n":"temperature","u":"Cel","v":20.5}]')
    _stored(watch, 1)
    assert watch.exported()[0].endswith("maple,middle,maple-middle,bedding_temperature,degC,20.5,1")
    watch.stop()


def test_a_retained_message_is_not_a_fresh_reading(home: Path, mosquitto: Mosquitto) -> None:
    """Without a time of its own a retained message is counted and not stored; with one it is stored at that time."""
    mosquitto.publish("worms/room/air", "35.0", retain=True)
    mosquitto.publish("worms/juniper/top", hot_pack(1_772_438_400, 21.5), retain=True)
    watch = _watch(home, mosquitto).start()
    _stored(watch, 2)
    assert {line.split(",")[0] for line in watch.exported()} == {"2026-03-02T08:00:00.000Z"}
    watch.stop()


def test_a_time_far_ahead_is_stored_at_arrival_and_suspect(home: Path, mosquitto: Mosquitto) -> None:
    """A probe an hour ahead: the reading stands at its arrival, flag 3."""
    watch = _watch(home, mosquitto).start()
    sent_s = time.time()
    mosquitto.publish("worms/juniper/top", hot_pack(sent_s + 3_600, 21.5))
    _stored(watch, 2)
    for line in watch.exported():
        assert line.endswith(",3")
        assert abs(time.mktime(time.strptime(line[:19], "%Y-%m-%dT%H:%M:%S")) - time.timezone - sent_s) < 20
    watch.stop()


def test_a_log_that_cannot_be_written_does_not_end_the_collecting(home: Path, mosquitto: Mosquitto) -> None:
    """Its log goes to a file on a disk that is full: readings are stored all the same."""
    watch = _watch(home, mosquitto)
    watch.log_file.symlink_to("/dev/full")
    watch.start_unheard()

    def stored() -> bool:
        mosquitto.publish("worms/room/air", "19.5")  # again and again, as nothing tells when it has subscribed
        return bool(watch.status()["readings"])

    wait_until(stored, "a reading")
    assert watch.running
    watch.stop()


def test_two_collectors_cannot_share_a_home(home: Path, mosquitto: Mosquitto) -> None:
    """The second one says that the first is running, in one line, and exits 1."""
    watch = _watch(home, mosquitto).start()
    second = watch.try_run("watch")
    assert second.returncode == 1
    assert "a collector is running here" in second.stderr
    assert second.stderr.count("\n") == 1
    watch.stop()
