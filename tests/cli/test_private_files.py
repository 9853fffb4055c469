"""Who can read what the program writes: journal and outbox hold links that are keys."""

import os
import stat
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.cli.checkup.checks import Verdict
from collector.cli.checkup.home import check_home
from collector.config.home import Home
from tests.cli.command_line import Commands, stock
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import HOT_AT_ONCE, LAB, hot_pack


@pytest.fixture(autouse=True)
def _usual_umask() -> Iterator[None]:
    """What most machines give: everybody may read new files."""
    before = os.umask(0o022)
    yield
    os.umask(before)


def modes(home: Path) -> dict[str, str]:
    """Of the home folder and all in it, by what they are."""
    found = {}
    for path in [home, *sorted(home.rglob("*"))]:
        seen = path.stat().st_mode
        found[str(path.relative_to(home))] = f"{'folder' if stat.S_ISDIR(seen) else 'file'} {stat.S_IMODE(seen):o}"
    return found


def test_a_new_home_is_for_its_owner_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`init` makes the folder 0700 and every file 0600, whatever is usual here, and leaves what is usual as it was."""
    home = tmp_path / "lab" / "home"
    Commands(home, capsys).good("init")
    made = modes(home)
    assert len(made) == 6
    assert set(made.values()) == {"folder 700", "file 600"}
    assert os.umask(0o022) == 0o022


@pytest.mark.service
def test_what_the_collector_makes_is_for_its_owner_alone(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Journal, its WAL, the lock, the sign of life, the outbox and its messages, in a folder that others may open."""
    home = tmp_path / "home"
    (home / "rules").mkdir(parents=True)
    (home / "lab.yaml").write_text(LAB, encoding="utf-8")
    (home / "rules" / "site.yaml").write_text(HOT_AT_ONCE, encoding="utf-8")
    given = set(modes(home))
    watch = Watch(home, {"MQTT__PORT": mosquitto.port}).start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: any((home / "outbox").glob("*.eml")), "a message")
    made = {name: mode for name, mode in modes(home).items() if name not in given}
    watch.stop()
    del made[watch.log_file.name]  # the test's own
    assert {"traywarden.db", "traywarden.db-wal", "traywarden.watch", "outbox"} <= made.keys()
    assert set(made.values()) == {"folder 700", "file 600"}


def test_a_home_that_others_can_open_is_to_fix(tmp_path: Path) -> None:
    """As one made before; what is advised mends it. A group may read: it is made of those who look after the lab."""
    home = Home(tmp_path / "a lab")
    home.path.mkdir(mode=0o755)
    (found,) = check_home(home)
    assert (found.verdict, found.part) == (Verdict.FIX, "home")
    assert found.text.endswith(f"run: chmod -R o-rwx '{home.path}'")
    assert os.system(found.text.rpartition("run: ")[2]) == 0  # noqa: S605  the very line that people are told
    assert list(check_home(home)) == []
    home.path.chmod(0o750)
    assert list(check_home(home)) == []
    assert list(check_home(Home(tmp_path / "nowhere"))) == []


def test_checkup_looks_at_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Among all else."""
    (tmp_path / "home").mkdir(mode=0o755)
    said = Commands(tmp_path / "home", capsys).run("checkup")
    assert "fix   home      others on this machine can open" in said.out


def test_a_lab_file_that_is_rewritten_keeps_who_may_read_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever opened lab.yaml to a group has it so after a probe was assigned."""
    home = tmp_path / "home"
    stock(home)
    (home / "lab.yaml").chmod(0o640)
    channel = "temperature=bedding_temperature,unit=Cel,model=ds18b20"
    Commands(home, capsys).good(
        "probes", "assign", "more", "--at", "maple/top", "--topic", "worms/more", "--channel", channel
    )
    assert "more:" in (home / "lab.yaml").read_text(encoding="utf-8")
    assert modes(home)["lab.yaml"] == "file 640"


@pytest.mark.parametrize(("command", "mode"), [(("backup",), "600"), (("export", "--out"), "644")])
def test_a_backup_holds_the_keys_and_an_export_does_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...], mode: str
) -> None:
    """A backup is for its owner; of an export this machine's own habit says who may read it."""
    stock(tmp_path / "home")
    made = tmp_path / "made"
    Commands(tmp_path / "home", capsys).good(*command, str(made))
    assert f"{stat.S_IMODE(made.stat().st_mode):o}" == mode
