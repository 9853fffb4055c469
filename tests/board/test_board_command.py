"""`traywarden board` as a process: a link from a message to the acknowledged alarm, in a real browser and without."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from pydantic import SecretStr

from collector.cli.board_start import board_notes
from collector.cli.checkup.checks import Verdict, check_board
from collector.config.home import Home
from collector.config.settings import Board as BoardSettings
from collector.config.settings import Settings
from collector.letters.links import LINK_LASTS_MS, Ack, link_url, sign
from collector.store.reader import Reader
from tests.board.served import Answer, ask
from tests.cli.command_line import Commands, other_program, stock
from tests.services.chromium import Chromium
from tests.services.free_port import answers, free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

SECRET = "quillbrook-link-secret"


class Board:
    """The command on a home; its log is kept."""

    def __init__(self, home: Path, **settings: object) -> None:
        self.port = free_port()
        given = {"BOARD__PORT": self.port, "BOARD__LINK_SECRET": SECRET, **settings}
        kept = {name: value for name, value in os.environ.items() if not name.startswith("TRAYWARDEN_")}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "collector.cli.main", "board", "--home", str(home)],
            env={**kept, **{f"TRAYWARDEN_{name}": str(value) for name, value in given.items() if value is not None}},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def up(self) -> "Board":
        wait_until(lambda: answers(self.port) or self._process.poll() is not None, "the board", 20)
        return self

    def ask(self, method: str, path: str, headers: Mapping[str, str] | None = None) -> Answer:
        return ask(self.port, method, path, headers)

    def end(self, how: signal.Signals | None = signal.SIGTERM) -> tuple[int, str, str]:
        """Exit code, standard output, log."""
        if how is not None:
            self._process.send_signal(how)
        out, log = self._process.communicate(timeout=20)
        return self._process.returncode, out, log


def path_of(home: Path, **changes: int) -> str:
    """The link to the one alarm that stands there."""
    with Reader(Home(home).database) as reader:
        (held,) = (one for one in reader.alarms() if one.state.key.rule == "bedding-hot")
    key, raised_ms = held.state.key, held.state.raised_ms
    assert raised_ms is not None
    expires = changes.get("expires_ms", time.time_ns() // 1_000_000 + LINK_LASTS_MS)
    return link_url(
        "",
        sign(
            SECRET,
            Ack(
                rule=key.rule,
                place=held.place,
                series=key.series,
                raised_ms=raised_ms,
                role="teacher",
                expires_ms=expires,
            ),
        ),
    )


def states(home: Path) -> list[str]:
    """Of all alarms that are not normal."""
    with Reader(Home(home).database) as reader:
        return [str(one.state.state) for one in reader.alarms()]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    stock(tmp_path / "home")
    return tmp_path / "home"


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_in_order_and_its_log_holds_no_link(home: Path, how: signal.Signals) -> None:
    """Good and bad links are opened and pressed; the log names neither, nor the secret; exit 0 on a signal."""
    board = Board(home).up()
    good, old = path_of(home), path_of(home, expires_ms=1)
    assert [board.ask(method, good).status for method in ("GET", "HEAD", "POST", "DELETE")] == [200, 200, 303, 405]
    assert [board.ask(method, f"{good}x").status for method in ("GET", "POST")] == [404, 404]
    assert board.ask("GET", old).status == 410
    code, out, log = board.end(how)
    assert (code, out) == (0, "")
    said = [line.split(" ", 1)[1] for line in log.splitlines()]
    assert said[0] == "TRAYWARDEN_BOARD__URL is not set: messages hold no links to here"
    assert said[1] == f"the board listens on 127.0.0.1, port {board.port}"
    assert said[-1] == "the board has stopped"
    for secret in (SECRET, *(part for path in (good, old) for part in re.split(r"[/.]", path) if len(part) > 20)):
        assert secret not in log


def test_it_waits_for_a_journal(home: Path) -> None:
    """Before the collector has run a page says so, and nothing can be pressed; once there is a journal it is served."""
    journal, aside, link = home / "traywarden.db", home / "aside.db", path_of(home)
    journal.rename(aside)
    board = Board(home).up()
    for method in ("GET", "POST"):
        answer = board.ask(method, link)
        assert answer.status == 503
        assert "There is no journal: the collector has not run here yet." in answer.text
    aside.rename(journal)
    assert board.ask("GET", link).status == 200
    code, _, log = board.end()
    assert code == 0
    assert "the collector has not run yet: pages say so until there is a journal" in log


Spoil = Callable[[Path], dict[str, object]]


def _other_program(home: Path) -> dict[str, object]:
    (home / "traywarden.db").unlink()
    other_program(home / "traywarden.db")
    return {}


def _no_secret(_home: Path) -> dict[str, object]:
    return {"BOARD__LINK_SECRET": None}


def _not_our_host(_home: Path) -> dict[str, object]:
    return {"BOARD__HOST": "192.0.2.1"}


def _no_such_host(_home: Path) -> dict[str, object]:
    return {"BOARD__HOST": "no-such-host.invalid"}


def _wrong_lab(home: Path) -> dict[str, object]:
    (home / "lab.yaml").write_text("lab: [\n", encoding="utf-8")
    return {}


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (_other_program, "a database of another program"),
        (_no_secret, "TRAYWARDEN_BOARD__LINK_SECRET is not set"),
        (_not_our_host, "cannot listen on 192.0.2.1"),
        (_no_such_host, "cannot listen on no-such-host.invalid"),
        (_wrong_lab, "lab.yaml:"),
    ],
)
def test_what_keeps_it_from_starting_is_one_line(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, spoil: Spoil, says: str
) -> None:
    """A journal that is not ours, no secret, a host that is not ours, a broken lab file: exit 1, one line."""
    settings = {"BOARD__LINK_SECRET": SECRET, "BOARD__PORT": free_port(), **spoil(home)}
    for name, value in settings.items():
        if value is not None:
            monkeypatch.setenv(f"TRAYWARDEN_{name}", str(value))
    assert says in Commands(home, capsys).wrong("board")


def test_a_port_that_is_taken_is_one_line(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both settings are named."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        monkeypatch.setenv("TRAYWARDEN_BOARD__PORT", str(port))
        monkeypatch.setenv("TRAYWARDEN_BOARD__LINK_SECRET", SECRET)
        line = Commands(home, capsys).wrong("board")
    assert f"TRAYWARDEN_BOARD__PORT: cannot listen on 127.0.0.1, port {port}: " in line


@pytest.mark.parametrize(
    ("host", "url", "says"),
    [
        ("127.0.0.1", "", None),
        ("::1", "https://worms.quillbrook.example", None),
        ("localhost", "http://localhost:8780", None),
        ("192.0.2.7", "https://worms.quillbrook.example", "192.0.2.7 is not loopback"),
        ("lab.quillbrook.example", "", "lab.quillbrook.example is not loopback"),
        ("127.0.0.1", "http://worms.quillbrook.example", "plain http"),
    ],
)
def test_whoever_opens_it_to_others_is_told_to_put_tls_in_front(host: str, url: str, says: str | None) -> None:
    """By a host that others reach, or by an address without TLS; one line."""
    found = list(board_notes(BoardSettings(host=host, url=url)))
    assert len(found) == (says is not None)
    assert all(str(says) in line and "TLS in front" in line for line in found)


@pytest.mark.parametrize(
    ("url", "secret", "verdict", "says"),
    [
        ("", None, Verdict.NOTE, "no links in messages"),
        ("https://worms.quillbrook.example", None, Verdict.FIX, "without TRAYWARDEN_BOARD__LINK_SECRET"),
        ("", SECRET, Verdict.FIX, "without TRAYWARDEN_BOARD__URL"),
        (
            "https://worms.quillbrook.example",
            SECRET,
            Verdict.GOOD,
            "links to https://worms.quillbrook.example, each good",
        ),
    ],
)
def test_checkup_says_whether_links_are_on(url: str, secret: str | None, verdict: Verdict, says: str) -> None:
    """They take an address and a secret: one without the other is to fix, and the secret is not repeated."""
    hidden = None if secret is None else SecretStr(secret)
    (found,) = check_board(Settings(board=BoardSettings(url=url, link_secret=hidden)))
    assert (found.verdict, found.part) == (verdict, "board")
    assert says in found.text
    assert SECRET not in found.text


@pytest.mark.slow
@pytest.mark.service
def test_from_the_link_to_the_acknowledged_alarm(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A phone opens the link, presses the button: within two seconds the running collector has it, by the role of the
    link, and the page says so. Everything fits the screen; the button is large enough for a thumb."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port}).start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: states(watch.home) == ["unacknowledged"], "the alarm")
    board = Board(watch.home).up()
    url = f"http://127.0.0.1:{board.port}{path_of(watch.home)}"
    with Chromium(tmp_path / "profile") as phone:
        for width in (320, 390):
            phone.phone(width)
            phone.go(url)
            assert "Needs someone" in phone.text()
            assert phone.ask("document.documentElement.scrollWidth") <= width
            left, top, wide, high = phone.box("button")
            assert high >= 44
            assert left >= 0
            assert left + wide <= width
            assert top + high <= 740
        phone.picture(tmp_path / "page.png")
        began = time.monotonic()
        phone.press("button")
        phone.until(lambda: "teacher is on it" in phone.text(), "the page to say so")
        assert time.monotonic() - began < 2.5
        assert phone.ask("document.querySelectorAll('button').length") == 0
        assert phone.ask("location.href") == url
        assert phone.ask("document.cookie") == ""
    assert states(watch.home) == ["acknowledged"]
    with Reader(Home(watch.home).database) as reader:
        assert [(str(one.event), one.by) for one in reader.history()] == [("acknowledged", "teacher"), ("raised", "")]
    assert board.end()[0] == watch.stop() == 0
