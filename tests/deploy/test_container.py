"""The container file, read line by line, and its command line run on a read-only file system without rights.

No container is built here: that takes a registry of images. What can be held is held: who it runs as, that nothing
is fetched unpinned, that what it copies is there, and that its entry point needs to write nowhere but in the lab.
"""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.deploy.machine import CHECKOUT, ROOT
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.worlds.home import make_home

Line = tuple[str, str]


def lines() -> list[Line]:
    """Instruction and the rest, continued lines joined, comments left out."""
    text = (CHECKOUT / "deploy" / "Containerfile").read_text(encoding="utf-8")
    kept = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    joined = re.sub(r"\\\n\s*", " ", kept)
    found = [line.split(None, 1) for line in joined.splitlines() if line.strip()]
    return [(word.upper(), rest) for word, rest in found]


def last(instruction: str) -> str:
    return [rest for word, rest in lines() if word == instruction][-1]


def test_it_runs_as_nobody_special() -> None:
    """The last user is a number that is not root's, so that a platform can check it."""
    assert int(last("USER")) > 0
    assert [word for word, _ in lines()][-1] == "CMD"


def test_all_it_knows_are_instructions() -> None:
    """No slip of the keyboard, and nothing that fetches an address by itself."""
    known = {
        "FROM",
        "RUN",
        "COPY",
        "ENV",
        "USER",
        "WORKDIR",
        "VOLUME",
        "STOPSIGNAL",
        "HEALTHCHECK",
        "ENTRYPOINT",
        "CMD",
    }
    assert {word for word, _ in lines()} <= known
    assert "http" not in (CHECKOUT / "deploy" / "Containerfile").read_text(encoding="utf-8")


def test_what_it_copies_is_there_and_what_it_installs_is_pinned() -> None:
    """Each source of a COPY is in the checkout; packages come by the lock, as it stands, and no other way."""
    copies = [rest.split()[:-1] for word, rest in lines() if word == "COPY" and not rest.startswith("--from")]
    sources = [source for named in copies for source in named]
    assert len(sources) == 5
    assert [source for source in sources if not (CHECKOUT / source).exists()] == []
    (install,) = [rest for word, rest in lines() if word == "RUN" and ("pip " in rest or "install_lock" in rest)]
    assert ". /build/venv.sh; install_lock /opt/traywarden/venv /build/requirements.txt --no-cache-dir" in install


def test_only_what_runs_is_in_the_image() -> None:
    """The second stage takes the program from the first, with neither pip's cache nor the lists of packages."""
    stages = [rest for word, rest in lines() if word == "FROM"]
    assert len(stages) == 2
    assert all(
        "rm -rf /var/lib/apt/lists" in rest for word, rest in lines()[-14:] if word == "RUN" and "apt-get" in rest
    )


@pytest.mark.service
def test_its_command_runs_where_nothing_but_the_lab_can_be_written(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """The entry point as it stands, in a mount namespace whose file systems are read-only but for the lab, as a user
    without rights: it connects, keeps a reading and ends in order."""
    if not ROOT and subprocess.run(["unshare", "-rm", "true"], check=False, capture_output=True).returncode:
        pytest.skip("this machine lets ordinary users make no namespaces (kernel.unprivileged_userns_clone)")
    home, log = make_home(tmp_path / "lab"), tmp_path / "log"
    if ROOT:
        for path in (home, *home.rglob("*")):
            shutil.chown(path, 990, 990)
        for folder in (tmp_path, *list(tmp_path.parents)[:3]):
            folder.chmod(folder.stat().st_mode | 0o055)
    entry = [word.replace("/opt/traywarden/venv/bin/python", sys.executable) for word in json.loads(last("ENTRYPOINT"))]
    command = [*entry, *json.loads(last("CMD"))]
    mounts = f"mount --make-rprivate / && mount --bind {home} {home} && mount -o remount,bind,ro / && "
    mounts += "for at in /tmp /home /dev/shm; do ! mountpoint -q $at || mount -o remount,bind,ro $at; done; "
    dropped = "setpriv --reuid 990 --regid 990 --clear-groups --no-new-privs --bounding-set -all" if ROOT else "exec"
    probe = f"! {dropped.replace('exec', '')} touch {tmp_path}/spoilt 2>/dev/null || exit 77; "
    shell = f"{mounts}{probe}exec {dropped.replace('exec', '')} {' '.join(command)}"
    settings = {
        "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
        "PYTHONPATH": str(CHECKOUT),
        "PYTHONDONTWRITEBYTECODE": "1",
        "TRAYWARDEN_HOME": str(home),
        "TRAYWARDEN_MQTT__PORT": str(mosquitto.port),
    }
    with log.open("wb") as out:
        unshare = ["unshare", "-m"] if ROOT else ["unshare", "-rm"]
        running = subprocess.Popen([*unshare, "sh", "-ec", shell], env=settings, stdout=out, stderr=out, cwd=home)
    try:
        wait_until(lambda: "connected" in log.read_text() or running.poll() is not None, "the broker", 20)
        assert running.poll() is None, log.read_text()
        mosquitto.publish("worms/room/air", "21.5")
        running.terminate()
        assert running.wait(20) == 0, log.read_text()
    finally:
        if running.poll() is None:
            running.kill()
            running.wait()
    assert (home / "traywarden.db").stat().st_uid == (990 if ROOT else home.stat().st_uid)
    assert not (tmp_path / "spoilt").exists()
