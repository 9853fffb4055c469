"""`traywarden digest`: printed where nobody is asked, sent by the collector that runs."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.store.reader import Reader
from tests.cli.command_line import Commands, stock
from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import LAB, hot_pack, make_home


@pytest.fixture
def mail() -> Iterator[SmtpServer]:
    with SmtpServer() as server:
        yield server


@pytest.mark.parametrize("option", [(), ("--now",)])
def test_where_no_collector_runs_it_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: tuple[str, ...]
) -> None:
    """For all places, and nothing is left that would be sent later."""
    stock(tmp_path / "home")
    out = Commands(tmp_path / "home", capsys).good("digest", *option)
    assert out.startswith("Quillbrook School worm lab, ")
    assert "1 alarm stands." in out.splitlines()[0]
    assert "Today's check" in out
    with Reader(tmp_path / "home" / "traywarden.db") as reader:
        assert list(reader.pending_requests()) == []


@pytest.mark.service
def test_the_collector_that_runs_sends_it(tmp_path: Path, mosquitto: Mosquitto, mail: SmtpServer) -> None:
    """Also with a minute of readings, each time anew; where nobody gets the digest it says so and ends with 1."""
    settings = {
        "MQTT__PORT": mosquitto.port,
        "MAIL__HOST": mail.host,
        "MAIL__PORT": mail.port,
        "MAIL__SECURITY": "none",
        "MAIL__SENDER": "traywarden@quillbrook.example",
    }
    watch = Watch(make_home(tmp_path / "home"), settings)
    watch.start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 21.5))
    wait_until(lambda: watch.status()["readings"] == 2, "the reading")
    before = len(mail.accepted)  # one that was due just now may have gone
    for number in (1, 2):
        assert watch.run("digest", "--now") == "the digest goes to teacher now\n"
        wait_until(lambda n=number: len(mail.accepted) == before + n, "the digest", 20)  # type: ignore[misc]
    assert "all is well" in str(mail.accepted[-1].message["Subject"])
    (watch.home / "lab.yaml").write_text(LAB.replace("example}", "example, digest: no}"), encoding="utf-8")
    wait_until(lambda: watch.log.count("connected") == 2, "the other lab.yaml", 20)
    refused = watch.try_run("digest", "--now")
    assert (refused.returncode, refused.stderr) == (1, "nobody in lab.yaml gets the digest; see 'people'\n")
    assert watch.stop() == 0
