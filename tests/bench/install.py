"""The checklist of deploy/INSTALL.md, walked by a program on a clean Debian with its own systemd.

By itself: the installer with real packages into an empty folder, and how large that is. `--whole`, as root with the
programs of Debian's packages debootstrap and systemd-container: a fresh Debian 12 is made, booted in a container, and
every step of the checklist done in it, services, watchdog, broker, upgrade and rollback included.
"""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from tests.deploy.machine import change, copy_checkout

Figures = Mapping[str, float | int | str | None]
PACKAGES = "python3,python3-venv,systemd,systemd-sysv,dbus,procps,mosquitto,mosquitto-clients,openssl"
TEMPERATURE = "temperature=bedding_temperature,unit=Cel,model=ds18b20"
PACK = '[{"n":"temperature","u":"Cel","v":21.5}]'


def measure(whole: bool) -> Figures:
    with tempfile.TemporaryDirectory(prefix="traywarden-install-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        checkout = copy_checkout(folder / "checkout")
        return on_debian(folder, checkout) if whole else into_a_folder(folder, checkout)


def into_a_folder(folder: Path, checkout: Path) -> Figures:
    began = time.monotonic()
    subprocess.run(["bash", checkout / "deploy/install.sh", "--root", folder / "tree"], check=True)
    took = time.monotonic() - began
    used = sum(path.lstat().st_size for path in (folder / "tree").rglob("*"))
    return {"install_s": round(took, 1), "installed_mb": round(used / 1e6, 1)}


def on_debian(folder: Path, checkout: Path) -> Figures:
    for program in ("debootstrap", "systemd-nspawn", "nsenter"):
        if shutil.which(program) is None:
            sys.exit(f"{program} is not on this machine; install: apt-get install debootstrap systemd-container")
    wheels = folder / "wheels"
    pip = [sys.executable, "-m", "pip", "download", "-qq", "--require-hashes", "--dest", str(wheels)]
    subprocess.run([*pip, "-r", str(checkout / "deploy/requirements.txt")], check=True)
    variant = ["--variant=minbase", f"--include={PACKAGES}"]
    subprocess.run(["debootstrap", *variant, "bookworm", str(folder / "debian")], check=True, stdout=subprocess.DEVNULL)
    (folder / "debian/etc/hosts").write_text("127.0.0.1 localhost\n")
    with booted(folder) as debian:
        return walked(debian, folder, checkout)


class Debian:
    """A booted container; `run` is a command in it."""

    def __init__(self, leader: int) -> None:
        self.leader = leader

    def run(self, *words: str, code: int | None = 0) -> str:
        into = ["nsenter", "-t", str(self.leader), "-m", "-u", "-i", "-n", "-p", "--", "env", "-i"]
        path = "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
        done = subprocess.run(
            [*into, path, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False
        )
        if code is not None and done.returncode != code:
            raise AssertionError(f"{words}: exit {done.returncode}\n{done.stdout}")
        return done.stdout

    def until(self, holds: Callable[[], object], what: str, within_s: float = 60) -> float:
        began = time.monotonic()
        while not holds():
            if time.monotonic() - began > within_s:
                raise AssertionError(f"waited {within_s:g} s in vain: {what}\n{self.run('journalctl', '-n', '30')}")
            time.sleep(0.2)
        return time.monotonic() - began


@contextmanager
def booted(folder: Path) -> Iterator[Debian]:
    binds = [f"--bind={folder / 'checkout'}:/checkout", f"--bind-ro={folder / 'wheels'}:/wheels"]
    options = ["-q", "--register=no", "--keep-unit", "--private-network", *binds]
    with (folder / "boot.log").open("wb") as log:
        nspawn = subprocess.Popen(
            ["systemd-nspawn", "-D", str(folder / "debian"), *options, "-b"],
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        )
    try:
        debian = Debian(0)

        def up() -> bool:
            children = Path(f"/proc/{nspawn.pid}/task/{nspawn.pid}/children").read_text().split()
            if children:
                debian.leader = int(children[0])
            return bool(children) and "running" in debian.run("systemctl", "is-system-running", code=None)

        debian.until(up, "Debian to boot")
        yield debian
    finally:
        nspawn.send_signal(signal.SIGTERM)
        try:
            nspawn.wait(30)
        except subprocess.TimeoutExpired:
            nspawn.kill()
            nspawn.wait()


def says(text: str, *wanted: str) -> str:
    for one in wanted:
        assert one in text, f"'{one}' is not in:\n{text}"
    return text


def walked(debian: Debian, folder: Path, checkout: Path) -> Figures:
    """deploy/INSTALL.md, in its order."""
    began = time.monotonic()
    debian.run("/checkout/deploy/install.sh", "--wheels", "/wheels")
    took = time.monotonic() - began
    says(debian.run("/checkout/deploy/install.sh"), "nothing to change")
    says(debian.run("traywarden", "rules", "check"), "good")
    debian.run("/checkout/deploy/secure-broker.sh", "--name", "lab.local")
    says(debian.run("traywarden", "checkup", code=None), "connected to 127.0.0.1:1883")
    without_probes(folder / "debian/var/lib/traywarden/lab.yaml")
    says(debian.run("traywarden", "checkup", code=None), "good  lab.yaml")
    told = debian.run("/checkout/deploy/add-probe.sh", "maple-top", "--at", "maple/top", "--channel", TEMPERATURE)
    (password,) = [line.split()[1] for line in told.splitlines() if line.startswith("password ")]
    debian.run("/checkout/deploy/install.sh", "--start")
    heard = probe_is_heard(debian, password, 1)
    says(debian.run("systemctl", "is-enabled", "traywarden"), "enabled")
    watchdog = hung_is_started_anew(debian)
    backups(debian)
    debian.run("/checkout/deploy/set-secret.sh", "--random", "BOARD__LINK_SECRET")
    debian.run("/checkout/deploy/install.sh", "--start")
    says(debian.run("systemctl", "status", "--no-pager", "traywarden-board"), "listens on 127.0.0.1, port 8780")
    exposure = debian.run("systemd-analyze", "security", "--no-pager", "traywarden.service").strip().splitlines()[-1]
    up_and_back(debian, checkout, password)
    ended(debian)
    return {
        "install_s": round(took, 1),
        "reading_published_to_held_s": round(heard, 1),
        "watchdog_3s_to_running_s": round(watchdog, 1),
        "exposure": exposure.split(": ")[1].split()[0],
        "whole_walk_s": round(time.monotonic() - began, 1),
    }


def without_probes(lab_yaml: Path) -> None:
    text = lab_yaml.read_text(encoding="utf-8")
    begin, end = text.index("\nprobes:\n"), text.index("\n# Who is told")
    owner = lab_yaml.stat()
    lab_yaml.write_text(f"{text[:begin]}\nprobes: {{}}\n{text[end:]}", encoding="utf-8")
    os.chown(lab_yaml, owner.st_uid, owner.st_gid)


def publish(debian: Debian, password: str) -> None:
    to = ["-h", "localhost", "-p", "8883", "--cafile", "/etc/mosquitto/traywarden/ca.pem", "-t", "worms/maple/top"]
    debian.run("mosquitto_pub", *to, "-u", "maple-top", "-P", password, "-q", "1", "-m", PACK)


def probe_is_heard(debian: Debian, password: str, held: int) -> float:
    publish(debian, password)
    return debian.until(lambda: f"{held} held" in debian.run("traywarden", "status"), "the reading to be held")


def hung_is_started_anew(debian: Debian) -> float:
    """A stopped process, under a watchdog of three seconds in place of ten minutes."""
    drop_in = "/etc/systemd/system/traywarden.service.d"
    debian.run("mkdir", "-p", drop_in)
    shorter = "[Service]\\nWatchdogSec=3s\\nRestartSec=1s\\n"
    debian.run("sh", "-c", f"printf '{shorter}' > {drop_in}/test.conf && systemctl daemon-reload")
    debian.run("systemctl", "restart", "traywarden")

    def pid() -> int:
        return int(debian.run("systemctl", "show", "-P", "MainPID", "traywarden"))

    before = pid()
    time.sleep(7)
    assert pid() == before, "a collector that works was ended by its watchdog"
    debian.run("systemctl", "kill", "--signal=STOP", "traywarden")
    took = debian.until(
        lambda: (
            pid() not in (0, before)
            and debian.run("systemctl", "is-active", "traywarden", code=None).strip() == "active"
        ),
        "the watchdog to start it anew",
    )
    says(debian.run("journalctl", "-u", "traywarden", "--no-pager"), "Watchdog timeout")
    debian.run("rm", "-r", drop_in)
    debian.run("systemctl", "daemon-reload")
    debian.run("systemctl", "restart", "traywarden")
    return took


def backups(debian: Debian) -> None:
    debian.run("systemctl", "start", "traywarden-backup")
    drill = "/opt/traywarden/in-use/program/deploy/restore-drill.sh"
    as_service = ["setpriv", "--reuid", "traywarden", "--regid", "traywarden", "--clear-groups"]
    says(debian.run(*as_service, drill), "1 readings, rules good")


def up_and_back(debian: Debian, checkout: Path, password: str) -> None:
    """To a version with another form of the journal and back; then to one that never starts: it goes back alone."""
    step = "    Step('tried', lambda db: db.execute('CREATE TABLE tried(a)') and None,"
    step += " lambda db: db.execute('DROP TABLE tried') and None),\n"
    shutil.copytree(checkout, checkout / "newer", ignore=shutil.ignore_patterns("newer"))
    migrations = checkout / "newer/collector/store/migrations.py"
    change(migrations, "\n)\n\n\ndef version(db", f"\n{step})\n\n\ndef version(db")
    says(debian.run("/checkout/newer/deploy/upgrade.sh", "--wheels", "/wheels"), "upgraded from")
    probe_is_heard(debian, password, 2)
    back = debian.run("/opt/traywarden/in-use/program/deploy/go-back.sh")
    says(back, "with every reading", "back from")
    probe_is_heard(debian, password, 3)
    (checkout / "newer/collector/watch/daemon.py").write_text("raise SystemExit('broken')\n")
    told = debian.run("/checkout/newer/deploy/upgrade.sh", "--wheels", "/wheels", code=1)
    says(told, "did not get ready", "back from")
    says(debian.run("traywarden", "status"), "running", "3 held")
    says(debian.run("systemctl", "is-active", "traywarden", "traywarden-board"), "active\nactive")


def ended(debian: Debian) -> None:
    says(debian.run("/checkout/deploy/uninstall.sh"), "kept: /var/lib/traywarden")
    says(debian.run("ls", "/var/lib/traywarden"), "traywarden.db", "lab.yaml")
    debian.run("/checkout/deploy/uninstall.sh", "--purge", "--purge")
    says(
        debian.run("sh", "-c", "ls -d /opt/traywarden /var/lib/traywarden /etc/traywarden 2>&1", code=2), "No such file"
    )
