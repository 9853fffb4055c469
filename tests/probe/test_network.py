"""The network, the broker, the power and the clock come and go: what arrives, when it says it was, and how often."""

import json
import socket
import subprocess
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from tests.cli.command_line import Commands
from tests.probe.board import BASE, PROGRAM, TRUE_S, Board, config, records, times
from tests.probe.inbox import Inbox
from tests.services.certificates import Authority, ServerFiles
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import make_home
from tests.worlds.texts import TEMPERATURE, lab_text, probe_text

pytestmark = pytest.mark.service

LAB = lab_text(
    probe_text("juniper/top", TEMPERATURE, more='senml_name: "urn:dev:mac:24befefffe804ff1:"'),
    bins=("juniper",),
    trays=("top",),
)


def every_minute(first_s: int, last_s: int) -> list[int]:
    """Times of the reports from `first_s` to `last_s` after power-up; the first comes 5 s after it."""
    return [TRUE_S + second for second in range(first_s, last_s + 1, 60)]


def test_an_hour_without_broker_is_all_stored_once_with_its_own_times(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    """The broker is down for an hour: the collector then holds every minute, each once, with the value of its time."""
    home = make_home(tmp_path / "home")
    (home / "lab.yaml").write_text(LAB, encoding="utf-8")
    commands = Commands(home, capsys)
    watch = Watch(home, {"MQTT__PORT": mosquitto.port}).start()
    with Board(tmp_path / "flash", config(mosquitto.port)) as board:
        board.go(70)
        mosquitto.stop()
        board.go(3700)
        assert board.kept_lines == 60
        mosquitto.start()
        board.go(3730)
        assert board.kept_lines == 0
    wait_until(lambda: commands.json("status")["readings"] >= 63, "all readings stored", 30)
    rows = [line.split(",") for line in commands.good("export", "--format", "csv").splitlines()[1:]]
    assert [row[0] for row in rows] == [iso_minute(second) for second in range(5, 3726, 60)]
    assert [float(row[6]) for row in rows] == [(344 + minute) / 16 for minute in range(63)]
    assert commands.json("status")["rejected"] == 0
    watch.stop()


def iso_minute(second: int) -> str:
    hours, rest = divmod(second, 3600)
    return f"2026-03-02T{8 + hours:02d}:{rest // 60:02d}:{rest % 60:02d}.000Z"


def test_reports_are_sent_oldest_first(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """After Wi-Fi was away, what is on flash goes first, then what is in memory: in the order it was measured."""
    inbox = Inbox(mosquitto)
    with Board(tmp_path / "flash", config(mosquitto.port)) as board:
        board.go(10)
        board.go(3000, wifi=201)
        assert 0 < board.kept_lines < 50
        board.go(3040, wifi=True)
    assert times(inbox.take()) == every_minute(5, 3005)
    assert "Wi-Fi 'quillbrook-things': no such network in reach; see wifi.ssid (only 2.4 GHz can be heard)" in (
        board.console
    )


def test_a_power_cut_keeps_what_was_on_flash(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """kill -9 half way through an outage: all on flash arrives after the next start, then what is new."""
    inbox = Inbox(mosquitto)
    with Board(tmp_path / "flash", config(mosquitto.port)) as board:
        board.go(10)
        mosquitto.stop()
        board.go(3000)
        on_flash = board.kept_lines
        assert on_flash == 40
        board.cut_power()
        mosquitto.start()
        board.go(10, true_s=TRUE_S + 7200)
        assert board.kept_lines == 0
    assert times(inbox.take()) == [*every_minute(5, 5 + 60 * on_flash), TRUE_S + 7205]


def test_a_power_cut_while_sending_repeats_but_loses_nothing(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Killed at any moment of sending what was kept, it sends again what it cannot know was confirmed."""
    inbox = Inbox(mosquitto)
    with Board(tmp_path / "flash", config(mosquitto.port)) as board:
        board.go(10)
        mosquitto.stop()
        board.go(1300)
        mosquitto.start()
        board.go_on(2000)
        wait_until(lambda: mosquitto.log.count("as probe") == 2, "the probe connected")
        board.cut_power()
        board.go(10, true_s=TRUE_S + 7200)
    seen = times(inbox.take())
    flashed = every_minute(5, 1205)
    assert set(flashed) <= set(seen)
    assert seen[-1] == TRUE_S + 7205


def test_a_torn_file_costs_only_its_torn_line(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Files cut short, empty or full of rubbish are got over; whole lines in them are sent."""
    inbox = Inbox(mosquitto)
    kept = tmp_path / "flash" / "kept"
    kept.mkdir(parents=True)
    body = '{"n":"temperature","u":"Cel","v":20.5000}'
    (kept / "00000001").write_text(f'{TRUE_S} {body}\n{TRUE_S + 60} {{"n":"temp')
    (kept / "00000002").write_text("")
    (kept / "00000003").write_bytes(b"\xff\xfe\x00rubbish\n\n1 2 3\n")
    (kept / "notes.txt").write_text("not ours")
    with Board(tmp_path / "flash", config(mosquitto.port)) as board:
        board.go(10, true_s=TRUE_S + 600)
    assert times(inbox.take()) == [TRUE_S, TRUE_S + 605]
    assert [file.name for file in kept.iterdir()] == ["notes.txt"]


def test_when_there_is_no_more_room_the_oldest_give_way(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """With room for three files of ten, an outage of two hours leaves the newest; the console says so."""
    inbox = Inbox(mosquitto)
    settings = config(mosquitto.port, keep={"per_file": 10, "files": 3, "in_memory": 15})
    with Board(tmp_path / "flash", settings) as board:
        board.go(10)
        mosquitto.stop()
        board.go(7200)
        assert board.kept_lines == 30
        mosquitto.start()
        board.go(7230)
    arrived = times(inbox.take())
    assert arrived[1:] == every_minute(7205 - 60 * (len(arrived) - 2), 7205)
    assert 30 <= len(arrived) - 1 <= 41
    assert "no more room: the oldest file of reports is dropped" in board.console


def test_before_the_clock_is_set_no_time_is_made_up(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """With no time server, reports carry no time: the arrival stands in. Those that had to wait say how long ago."""
    inbox = Inbox(mosquitto)
    with Board(tmp_path / "flash", config(mosquitto.port), ntp=False) as board:
        board.go(130)
        mosquitto.stop()
        board.go(310)
        mosquitto.start()
        board.go(370)
    assert times(inbox.take()) == [None, None, None, -180, -120, -60, None]
    assert board.kept_lines == 0


def test_once_the_clock_is_set_earlier_reports_get_their_real_times(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Measured before the network was ever there, sent with the times they were measured at."""
    inbox = Inbox(mosquitto)
    with Board(tmp_path / "flash", config(mosquitto.port), wifi=201) as board:
        board.go(600)
        assert board.kept_lines == 0
        board.go(640, wifi=True)
        board.go(670)
    assert times(inbox.take()) == every_minute(5, 665)


def test_deep_sleep_keeps_clock_and_reports(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A board that sleeps between reports starts anew each time, and sends all of an outage with its own times."""
    inbox = Inbox(mosquitto)
    sensors = [{"kind": "ds18b20", "pin": 4}, {"kind": "capacitive", "pin": 34}, {"kind": "battery", "pin": 35}]
    sensors.append({"kind": "switch", "pin": 27})
    settings = config(mosquitto.port, deep_sleep=True, every_s=300, sensors=sensors)
    with Board(tmp_path / "flash", settings, analog={"34": 1_400_000, "35": 1_985_000}) as board:
        board.go(620)
        mosquitto.stop()
        board.go(6_250)
        assert 0 < board.kept_lines < 19
        mosquitto.start()
        board.go(6_350)
        assert board.woken == 21
        assert board.kept_lines == 0
    assert times(inbox.take()) == [TRUE_S + second for second in range(5, 6_350, 300)]


def test_the_session_is_encrypted_and_logged_in(tmp_path: Path, start_mosquitto: Callable[..., Mosquitto]) -> None:
    """TLS against the lab's own authority, with user name and password."""
    authority = Authority(tmp_path / "ca")
    broker = start_mosquitto(tls=authority.issue(), password="swordfish")
    inbox = Inbox(broker, ["-u", "probe", "-P", "swordfish", "--cafile", str(authority.ca_file)])
    with Board(tmp_path / "flash", tls_config(broker, "swordfish")) as board:
        (tmp_path / "flash" / "ca.pem").write_bytes(authority.ca_file.read_bytes())
        board.go(70)
    assert [record["bn"] for record in records(inbox.take())] == [BASE, BASE]


def test_the_certificates_of_an_installed_lab_are_trusted(
    tmp_path: Path, start_mosquitto: Callable[..., Mosquitto]
) -> None:
    """What deploy/make-certificates.sh makes is taken, the broker named by its name or by its address."""
    folder = tmp_path / "certificates"
    folder.mkdir()
    make = PROGRAM.parent / "make-certificates.sh"
    subprocess.run(["bash", make, folder, "localhost", "127.0.0.1"], check=True, capture_output=True)
    broker = start_mosquitto(tls=ServerFiles(folder / "ca.pem", folder / "server.pem", folder / "server.key"))
    for host in ("localhost", "127.0.0.1"):
        said = {"host": host, "port": broker.port, "tls": True, "ca_file": "ca.pem"}
        with Board(tmp_path / host, config(broker.port, broker=said)) as board:
            (tmp_path / host / "ca.pem").write_bytes((folder / "ca.pem").read_bytes())
            assert f"connected to the broker at {host}:{broker.port}" in board.go(10)


@pytest.mark.parametrize("wrong", ["authority", "host", "password", "plain"])
def test_a_broker_that_cannot_be_trusted_or_refuses_gets_nothing(
    tmp_path: Path, start_mosquitto: Callable[..., Mosquitto], wrong: str
) -> None:
    """Another authority, a certificate for another host, a wrong password, no TLS: told in one line, sent nothing."""
    authority = Authority(tmp_path / "ca")
    names = ("elsewhere.example",) if wrong == "host" else ("localhost", "127.0.0.1")
    broker = start_mosquitto(tls=None if wrong == "plain" else authority.issue(names), password="swordfish")
    trusted = Authority(tmp_path / "other") if wrong == "authority" else authority
    settings = tls_config(broker, "wrong" if wrong == "password" else "swordfish")
    with Board(tmp_path / "flash", settings) as board:
        (tmp_path / "flash" / "ca.pem").write_bytes(trusted.ca_file.read_bytes())
        said = board.go(1_250)
        assert board.kept_lines == 20
    (line,) = [line for line in said if f"broker at localhost:{broker.port}" in line]
    assert ("user name or password is wrong" in line) is (wrong == "password")
    assert "swordfish" not in " ".join(said)


def tls_config(broker: Mosquitto, password: str) -> dict[str, object]:
    return config(
        broker.port,
        broker={
            "host": "localhost",
            "port": broker.port,
            "username": "probe",
            "password": password,
            "tls": True,
            "ca_file": "ca.pem",
        },
    )


def test_a_host_nobody_knows_is_told(tmp_path: Path) -> None:
    """A name with an empty label is refused by the resolver itself, as one that is not known is by the network."""
    with Board(tmp_path / "flash", config(1883, broker={"host": "worms..example"})) as board:
        assert (
            "no answer from the broker at worms..example:1883: nobody in this network knows that name; see broker.host"
        ) in board.go(10)


def answers_once(listener: socket.socket, answer: bytes) -> None:
    """Answers the first packet of each connection, waits for its next, and hangs up; until `listener` is shut down."""
    while True:
        try:
            connection, _ = listener.accept()
        except OSError:
            return
        with connection, suppress(ConnectionError):
            connection.settimeout(10)
            connection.recv(4096)
            connection.sendall(answer)
            if answer:
                connection.recv(4096)


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (b"\x20\x02\x00\x00", "did not confirm: it closed the connection"),
        (b"\x20\x02\x00\x02", "refused: it does not take the client id"),
        (b"HTTP/1.1 400 Bad", "refused: that is no MQTT broker"),
        (b"", "no answer from the broker"),
    ],
)
def test_what_is_not_confirmed_is_sent_again(tmp_path: Path, answer: bytes, said: str) -> None:
    """Something takes the report and hangs up, or is no broker: told, and the real broker then gets every report."""
    with socket.create_server(("127.0.0.1", 0)) as listener, Board(tmp_path / "flash", "") as board:
        port = listener.getsockname()[1]
        (tmp_path / "flash" / "config.json").write_text(json.dumps(config(port)), encoding="utf-8")
        thread = threading.Thread(target=answers_once, args=(listener, answer))
        thread.start()
        board.go(20)
        listener.shutdown(socket.SHUT_RDWR)
        thread.join(10)
        listener.close()
        with Mosquitto(tmp_path / "mosquitto", port=port) as broker:
            inbox = Inbox(broker)
            board.go(70)
            assert times(inbox.take()) == every_minute(5, 65)
    assert any(said in line for line in board.console), board.console


def test_a_broker_started_anew_between_two_reports_is_joined_at_once(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """The connection is dead when the next report is due: a new one is made and nothing waits for a round."""
    inbox = Inbox(mosquitto)
    with Board(tmp_path / "flash", config(mosquitto.port)) as board:
        board.go(10)
        mosquitto.restart(kill=True)
        board.go(70)
    assert times(inbox.take()) == every_minute(5, 65)


def test_the_watchdog_is_fed_through_a_long_rest_and_a_long_outage(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A report every hour and Wi-Fi away for a day: the watchdog has no cause to bite."""
    with Board(tmp_path / "flash", config(mosquitto.port, every_s=3600)) as board:
        board.go(10)
        board.go(86_400, wifi=201)
        assert board.ended is None
