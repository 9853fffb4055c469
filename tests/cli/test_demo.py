"""`traywarden demo` as a process: a whole lab on a fast clock, mail inside a minute, nothing left behind."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

import pytest

from collector.cli.demo import PACE, CaughtMail, running_demo, wait_demo
from collector.config.log import UNHEARD
from sim_sensors import scenarios
from tests.cli.command_line import Commands

pytestmark = pytest.mark.slow


class Ran(NamedTuple):
    code: int
    out: str
    err: str
    left: list[str]
    """What it left in its temporary folder."""


class Running:
    def __init__(self, folder: Path, *arguments: str, **settings: str) -> None:
        folder.mkdir()
        self._folder = folder
        kept = {name: value for name, value in os.environ.items() if not name.startswith("TRAYWARDEN_")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "collector.cli.main", "demo", *arguments],
            env={**kept, **settings, "TMPDIR": str(folder)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def end(self) -> Ran:
        """Waits for its end; one that does not come fails this test alone, with no process and no pipe left over."""
        with self.process:
            try:
                out, err = self.process.communicate(timeout=90)
            except subprocess.TimeoutExpired:
                self.process.kill()
                raise
        left = [path.name for path in self._folder.iterdir() if path.name.startswith("traywarden")]
        return Ran(self.process.returncode, out, err, left)


class Demos(NamedTuple):
    for_programs: Ran
    for_people: Ran
    interrupted: Ran
    chat_calls: int
    story: "Story"


class Story(NamedTuple):
    """The whole of it, told in half of the time."""

    mails: list[CaughtMail]
    captions: list[tuple[int, str]]
    trouble: list[str]


def told() -> Story:
    """Everything that is mailed and said until the story is at its end."""
    mails: list[CaughtMail] = []
    captions: list[tuple[int, str]] = []

    def caption(t_ms: int, says: str) -> None:
        captions.append((t_ms, says))

    with running_demo(mails.append, caption, UNHEARD, pace=2 * PACE) as demo:
        wait_demo(demo, 120, lambda: None, 1.0)
        return Story(list(mails), captions, demo.trouble)


@pytest.fixture(scope="module")
def demos(tmp_path_factory: pytest.TempPathFactory) -> Demos:
    """Four at once, to save time: with --json beside settings of this machine, for people, ended by Ctrl-C, and heard
    to its end."""
    folder = tmp_path_factory.mktemp("demos")
    with socket.create_server(("127.0.0.1", 0)) as chat, ThreadPoolExecutor(1) as beside:
        story = beside.submit(told)
        own = {
            "TRAYWARDEN_CHAT__URLS": f"json://127.0.0.1:{chat.getsockname()[1]}",
            "TRAYWARDEN_UPLINK__URL": f"http://127.0.0.1:{chat.getsockname()[1]}",
            "TRAYWARDEN_UPLINK__BUCKET": "worms",
            "TRAYWARDEN_MQTT__HOST": "broker.quillbrook.example",
            "TRAYWARDEN_MAIL__PORT": "not a port",
        }
        programs = Running(folder / "json", "--stop-after", "25s", "--json", **own)
        people = Running(folder / "people", "--stop-after", "12 s")
        interrupted = Running(folder / "interrupted")
        assert interrupted.process.stdout is not None
        head = [interrupted.process.stdout.readline() for _ in range(3)]
        interrupted.process.send_signal(signal.SIGINT)
        ended = interrupted.end()
        done = Demos(programs.end(), people.end(), ended._replace(out="".join(head) + ended.out), 0, story.result())
        chat.settimeout(0)
        try:
            chat.accept()[0].close()
            done = done._replace(chat_calls=1)
        except BlockingIOError:
            pass
    return done


def test_json_is_the_status_and_nothing_else(demos: Demos) -> None:
    """Exit 0, one line on standard output, nothing on the other; the keys of the contract; an alarm and a mail sent."""
    ran = demos.for_programs
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.count("\n") == 1
    found = json.loads(ran.out.splitlines()[-1])
    assert {"readings", "backlog", "rejected", "probes", "alarms", "outbox"} <= found.keys()
    assert found["readings"] > 500
    assert found["rejected"] == found["outbox"]["failed"] == found["outbox"]["unconfirmed"] == 0
    assert all({"id", "at", "last_heard", "flag"} <= probe.keys() for probe in found["probes"])
    assert all(probe["last_heard"].startswith("2026-03-02T") for probe in found["probes"])
    assert found["alarms"]
    assert all({"name", "at", "state", "priority", "since"} <= alarm.keys() for alarm in found["alarms"])
    assert found["outbox"]["sent"] >= 1


def test_no_setting_of_this_machine_reaches_the_demo(demos: Demos) -> None:
    """Its own chat address is not called, its own broker not asked, a wrong setting no hindrance."""
    assert demos.chat_calls == 0
    assert demos.for_programs.code == 0


def test_people_see_the_lab_and_the_first_mail(demos: Demos) -> None:
    """What is going on, line by line, the first alert mail whole, and the state at the end."""
    ran = demos.for_people
    assert (ran.code, ran.err) == (0, "")
    assert "Mail to teacher@quillbrook.example" in ran.out
    assert "Subject: " in ran.out
    assert "What to do:\n" in ran.out
    assert "\\r" not in ran.out
    assert "traywarden alarms acknowledge" in ran.out
    assert sum(line.startswith("2026-03-02 0") for line in ran.out.splitlines()) >= 3
    assert "Board: http://127.0.0.1:" in ran.out
    assert "readings   " in ran.out.partition("At the end:")[2]


def test_readme_shows_what_the_demo_shows(demos: Demos) -> None:
    """Each line of the mail in README is one of the first mail, whatever its numbers are on a busy machine."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    mail = readme[readme.index("    Mail to ") : readme.index("On a phone")]
    shown = {re.sub(r"\d+", "9", line.strip()) for line in mail.splitlines()}
    assert len(shown) > 6
    assert shown <= {re.sub(r"\d+", "9", line.strip()) for line in demos.for_people.out.splitlines()}


MOST = 12
"""So many messages in such a night, to all three people together."""


def test_each_part_of_the_story_is_heard_of(demos: Demos) -> None:
    """Everybody hears something, the digest and the weekly report come, and no night is more than a tired reader reads.
    Played so fast, on a busy machine several alarms may come as one message; what else they say: test_demo_night.py."""
    story = demos.story
    assert story.trouble == []
    subjects = [mail.subject for mail in story.mails]
    assert 3 <= len(subjects) <= MOST, subjects
    assert any(one.startswith("Quillbrook School worm lab, Monday 2 Mar: ") for one in subjects), subjects
    assert any("the week before Monday 2 Mar" in one for one in subjects), subjects
    assert {"teacher", "maintainer"} <= {mail.to.partition("@")[0] for mail in story.mails}
    told = " ".join(mail.body for mail in story.mails)
    for place in ("Juniper, top tray", "Maple, middle tray", "Maple, bottom tray", "Kettle"):
        assert place in told


def test_the_whole_story_takes_two_minutes(demos: Demos) -> None:
    """All captions are said, in order, and the last comes within two minutes of a newcomer's time."""
    scenario = scenarios.load("school-demo")
    assert [says for _, says in demos.story.captions] == [one.says for one in scenario.captions]
    assert scenario.length_ms / 1000 / PACE < 120


def test_captions_stand_between_the_lines(demos: Demos) -> None:
    """After the introduction, each with its lab time."""
    head, _, rest = demos.for_people.out.partition("lab time ")
    assert ">>" not in head
    assert "\n>> 00:40  Twenty to one, on Monday night." in rest


def test_control_c_ends_it_in_order(demos: Demos) -> None:
    """No traceback, even in its first second."""
    assert demos.interrupted.code in (0, 1, 130)
    assert "Traceback" not in demos.interrupted.err + demos.interrupted.out


def test_nothing_is_left_behind(demos: Demos) -> None:
    """The home folder is deleted however it ends."""
    assert demos.for_programs.left == demos.for_people.left == demos.interrupted.left == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--stop-after", "soon"), "--stop-after: "),
        (("--stop-after", ""), "--stop-after: "),
        ((), "--home: the demo makes a home folder of its own"),
    ],
)
def test_wrong_options_are_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], says: str
) -> None:
    """A time that is none; a home, which the demo does not take."""
    if arguments:
        said = _demo(capsys, *arguments)
        assert says in said
    else:
        assert says in Commands(tmp_path, capsys).wrong("demo")


def _demo(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    from collector.cli.main import main

    capsys.readouterr()
    assert main(["demo", *arguments]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    return line
