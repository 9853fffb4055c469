"""The installed `traywarden` command, which hands the secrets of root to a program that is not root."""

import os
import shutil
import signal
import stat
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.deploy.machine import CHECKOUT, ROOT
from tests.services.waiting import wait_until

pytestmark = pytest.mark.skipif(not ROOT, reason="only root can become another user")
PROGRAM = """\
#!/bin/sh
echo "$(id -un) $(printenv TRAYWARDEN_MAIL__PASSWORD) $(printenv TRAYWARDEN_MQTT__HOST) $(printenv HOME) $*"
case ${1-} in sleep) touch "$2"; exec sleep 60 ;; esac
exit 7
"""


@pytest.fixture
def folder() -> Iterator[Path]:
    """Open to all, with the command as it would be installed there, for the user 'nobody'."""
    made = Path(tempfile.mkdtemp())
    made.chmod(0o755)
    (made / "run").mkdir()
    (made / "work").mkdir()
    (made / "work").chmod(0o777)
    (made / "secrets").mkdir(mode=0o700)
    (made / "secrets/MAIL__PASSWORD").write_text("castings and leaves\n")
    (made / "secrets/MQTT__HOST").write_text("192.0.2.99\n")
    (made / "settings").write_text("# where\nTRAYWARDEN_MQTT__HOST=192.0.2.7\n")
    (made / "program").write_text(PROGRAM)
    text = (CHECKOUT / "deploy/traywarden-command.sh").read_text()
    for installed, here in (
        ("/opt/traywarden/in-use/traywarden", f"{made}/program"),
        ("/etc/traywarden", str(made)),
        ("/run/", f"{made}/run/"),
        ("-u traywarden", "-u nobody"),
        ("-o traywarden", "-o nobody"),
        ("chown traywarden", "chown nobody"),
        ("= traywarden ]", "= nobody ]"),
        ("--reuid traywarden --regid traywarden", "--reuid nobody --regid nogroup"),
    ):
        text = text.replace(installed, here)
    (made / "command").write_text(text)
    for name in ("program", "command"):
        (made / name).chmod(0o755)
    yield made
    shutil.rmtree(made)


def test_the_program_gets_settings_and_secrets_and_is_not_root(folder: Path) -> None:
    """A setting goes before a secret of its name, arguments arrive as they are, and the exit code comes back."""
    done = subprocess.run(
        [folder / "command", "status", "a b"], env={"PATH": os.defpath}, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (
        7,
        "nobody castings and leaves 192.0.2.7 /var/lib/traywarden status a b\n",
        "",
    )


def test_a_file_that_is_no_secret_is_named(folder: Path) -> None:
    """The copy an editor left is not handed on, and is said."""
    (folder / "secrets/MAIL__PASSWORD~").write_text("old\n")
    done = subprocess.run([folder / "command"], env={"PATH": os.defpath}, capture_output=True, text=True, check=False)
    assert "MAIL__PASSWORD~ is no setting by its name" in done.stderr
    assert done.returncode == 7


def _as_a_terminal_starts_it() -> None:
    """What '&' and nohup have ignored for these tests, a shell script could not heed either."""
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT", "SIGHUP", "SIGKILL"])
def test_however_it_ends_no_copy_of_a_secret_stays(folder: Path, name: str) -> None:
    """Cut off in the middle it ends at once, by that signal, and no file holds what a secret holds."""
    number = signal.Signals[name]
    started = folder / "work/started"
    process = subprocess.Popen(
        [folder / "command", "sleep", started],
        env={"PATH": os.defpath},
        stdout=subprocess.DEVNULL,
        start_new_session=True,
        preexec_fn=_as_a_terminal_starts_it,
    )
    try:
        wait_until(started.exists, "the program")
        process.send_signal(number)
        assert process.wait(10) == -number
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    holding = [path for path in folder.rglob("*") if path.is_file() and b"castings" in path.read_bytes()]
    assert holding == [folder / "secrets/MAIL__PASSWORD"]
    assert stat.S_IMODE(holding[0].parent.stat().st_mode) == 0o700
