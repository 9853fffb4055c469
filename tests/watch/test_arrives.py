"""Messages that do not get through, with the whole collector as a process: who is told, and what status says."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import LAB, hot_pack, make_home

pytestmark = pytest.mark.service
TEACHER, MAINTAINER = "teacher@quillbrook.example", "maintainer@quillbrook.example"
TWO = LAB.replace(
    f"  teacher: {{email: {TEACHER}}}", f"  teacher: {{email: {TEACHER}}}\n  maintainer: {{email: {MAINTAINER}}}"
)


@pytest.fixture
def mail() -> Iterator[SmtpServer]:
    with SmtpServer() as server:
        yield server


@pytest.fixture
def watch(tmp_path: Path, mosquitto: Mosquitto, mail: SmtpServer) -> Watch:
    home = make_home(tmp_path / "home")
    (home / "lab.yaml").write_text(TWO, encoding="utf-8")
    settings = {
        "MQTT__PORT": mosquitto.port,
        "MAIL__HOST": mail.host,
        "MAIL__PORT": mail.port,
        "MAIL__SECURITY": "none",
        "MAIL__SENDER": "traywarden@quillbrook.example",
    }
    return Watch(home, settings)


def to(mail: SmtpServer, recipient: str) -> list[str]:
    return [str(one.message["Subject"]) for one in mail.accepted if one.recipients == (recipient,)]


def row(watch: Watch, who: str) -> dict[str, Any]:
    (found,) = [one for one in watch.status()["recipients"] if one["who"] == who]
    return dict(found)


def test_the_others_are_told_of_a_dead_address_and_status_shows_each(
    watch: Watch, mosquitto: Mosquitto, mail: SmtpServer
) -> None:
    """550 for the maintainer: the teacher hears the alarm, and once that the maintainer did not; killed and started
    again nobody hears anything twice."""
    mail.refuse(MAINTAINER)
    watch.start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: len(to(mail, TEACHER)) == 2, "the alarm and the report")
    alarm, report = to(mail, TEACHER)
    assert "Juniper, top tray" in alarm
    assert report == "Messages to maintainer do not get through (1 failed)"
    (text,) = [one.message.get_content() for one in mail.accepted if str(one.message["Subject"]) == report]
    assert "550 5.1.1 no such mailbox" in text
    assert f"- {alarm}" in " ".join(text.split())
    watch.kill()
    watch.start()
    wait_until(lambda: row(watch, "teacher")["sent"] == 2, "both marked as sent")
    watch.stop()
    assert len(mail.accepted) == 2
    teacher, maintainer = row(watch, "teacher"), row(watch, "maintainer")
    assert (teacher["waiting"], teacher["sent"], teacher["failed"], teacher["last_error"]) == (0, 2, 0, "")
    assert teacher["last_delivered"] is not None
    assert (maintainer["sent"], maintainer["failed"], maintainer["last_delivered"]) == (0, 1, None)
    assert "no such mailbox" in maintainer["last_error"]
    shown = watch.run("status", code=1)  # nobody watches any more
    assert "maintainer" in shown
    assert "550 5.1.1 no such mailbox" in shown


@pytest.mark.slow
def test_greylisting_of_one_does_not_hold_up_the_other(watch: Watch, mosquitto: Mosquitto, mail: SmtpServer) -> None:
    """451 for the first who is asked: the other has the alarm at once, the first at the second try, each once."""
    mail.answer("RCPT", "451 4.7.1 greylisted, come back later")
    watch.start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: mail.accepted, "the other's")
    (held,) = [one for one in watch.status()["recipients"] if one["waiting"]]
    assert "451 4.7.1 greylisted" in held["last_error"]
    watch.stop()
    watch.start()  # a start tries at once what waited
    wait_until(lambda: len(mail.accepted) == 2, "the greylisted one's")
    watch.stop()
    assert sorted(one.recipients[0] for one in mail.accepted) == [MAINTAINER, TEACHER]
