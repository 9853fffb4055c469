"""What runs until it is told to stop ends in order at Ctrl-C and at a polite kill, however it was started."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from collector.store.journal import Journal
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.worlds.home import make_home

T0 = 1_772_438_400_000
PROGRAMS = {
    "watch": (("collector.cli.main", "watch"), "connected"),
    "board": (("collector.cli.main", "board"), "the board listens"),
    "demo": (("collector.cli.main", "demo"), "lab time"),
    "simulator": (("sim_sensors.cli", "run", "quiet"), "stop with Ctrl-C"),
}
"""What is run, and what it says once it runs."""
IN_THE_BACKGROUND = ("sh", "-c", "trap '' INT; exec \"$@\"", "sh")
"""What a shell does for a command with '&' behind it: SIGINT is ignored, and the program inherits that."""


@contextmanager
def started(program: str, folder: Path, port: int) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """In the background, with all it says in a file."""
    home, said = make_home(folder / "home"), folder / "said"
    with Journal(home / "traywarden.db", "America/New_York", T0):
        pass
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TRAYWARDEN_")}
    settings = {
        "TRAYWARDEN_HOME": str(home),
        "TRAYWARDEN_MQTT__PORT": str(port),
        "SIM_SENSORS_PORT": str(port),
        "TRAYWARDEN_BOARD__PORT": str(free_port()),
        "TRAYWARDEN_BOARD__LINK_SECRET": "made-up-secret-of-the-tests",
        "TMPDIR": str(folder),
        "PYTHONUNBUFFERED": "1",
    }
    words = [*IN_THE_BACKGROUND, sys.executable, "-m", *PROGRAMS[program][0]]
    with said.open("wb") as out:
        running = subprocess.Popen(words, env=kept | settings, stdin=subprocess.DEVNULL, stdout=out, stderr=out)
        try:
            yield running, said
        finally:
            running.kill()
            running.wait()


@pytest.mark.service
@pytest.mark.parametrize("program", PROGRAMS)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_in_order_though_started_in_the_background(
    tmp_path: Path, mosquitto: Mosquitto, program: str, number: signal.Signals
) -> None:
    """Exit 0, no traceback, and nothing left of the demo's folder: with SIGINT ignored by whoever started it."""
    with started(program, tmp_path, mosquitto.port) as (running, said):
        wait_until(lambda: PROGRAMS[program][1] in said.read_text() or running.poll() is not None, "its first line", 30)
        running.send_signal(number)
        assert running.wait(45) == 0, said.read_text()
    assert "Traceback" not in said.read_text()
    assert list(tmp_path.glob("traywarden-demo-*")) == []
