"""A real Mosquitto on a free loopback port, with the settings that ship in deploy/mosquitto.conf."""

import os
import signal
import subprocess
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

from collector.config.clock import system_now
from tests.services.certificates import ServerFiles
from tests.services.free_port import answers, free_port
from tests.services.parts import need
from tests.services.waiting import wait_until

SHIPPED = Path(__file__).parents[2] / "deploy" / "mosquitto.conf"
_SET_HERE = ("listener ", "allow_anonymous ")


class Mosquitto:
    """A broker that keeps its sessions and queued messages in `folder` over `stop`, `kill`, `start` and `restart`.

    password    asked of every client, for the user name in `username`
    tls         speak TLS only, with these files
    settings    further lines of its configuration, which win over the shipped ones
    """

    def __init__(
        self,
        folder: Path,
        *,
        username: str = "probe",
        password: str | None = None,
        tls: ServerFiles | None = None,
        settings: Iterable[str] = (),
        port: int | None = None,
    ) -> None:
        self.program = need("mosquitto")
        self.folder = folder
        self.host = "127.0.0.1"
        self.port = free_port() if port is None else port
        self.username, self.password, self.tls = username, password, tls
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        self._config.write_text("\n".join([*self._settings(list(settings)), ""]), encoding="utf-8")

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def log(self) -> str:
        """All it has said since it was made."""
        return self._log.read_text(encoding="utf-8") if self._log.exists() else ""

    def start(self) -> None:
        """Returns once it accepts connections. Never takes over a port where something else already answers."""
        if self.running or answers(self.port):
            raise RuntimeError(f"something already listens on port {self.port}; the tests start their own broker")
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [self.program, "-c", str(self._config)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=self.folder,
            )
        try:
            wait_until(lambda: not self.running or answers(self.port), f"Mosquitto on port {self.port}")
        except TimeoutError:
            self._end(signal.SIGKILL)
            raise
        if not self.running:
            self._process = None
            raise RuntimeError(f"Mosquitto did not start:\n{self.log}")

    def stop(self) -> None:
        """As its service manager would: it saves its state, then ends. Nothing to do where it is not running."""
        self._end(signal.SIGTERM)

    def kill(self, *, saved: bool = True) -> None:
        """Ends it with no goodbye to its clients. `saved=False` also loses what it had not written down yet."""
        if saved:
            self.save()
        self._end(signal.SIGKILL)

    def restart(self, *, kill: bool = False) -> None:
        """Down and up again, on the same port with the same sessions and queued messages."""
        if kill:
            self.kill()
        else:
            self.stop()
        self.start()

    def save(self) -> None:
        """Makes it write its state down now."""
        if not self.running or self._process is None:
            return
        before = self._saved_file()
        self._process.send_signal(signal.SIGUSR1)
        wait_until(lambda: not self.running or self._saved_file() != before, "Mosquitto to write its state")

    def freeze(self) -> None:
        """From here on it takes and answers nothing, until it is killed."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def saved_ago_s(self) -> float:
        """Seconds since it last wrote its state down; endless where it never did."""
        saved_ms = self._saved_file()[1] / 1e6
        return (system_now() - saved_ms) / 1000 if saved_ms else float("inf")

    def written_bytes(self) -> int:
        """What it has written to the disk since its start, as the kernel counts."""
        assert self._process is not None
        lines = Path(f"/proc/{self._process.pid}/io").read_text(encoding="ascii").splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes:"))

    def keep_session(self, client_id: str, topic: str) -> None:
        """From here on it keeps what is published there for this client, who is away."""
        command = [need("mosquitto_sub"), "-h", self.host, "-p", str(self.port), "-i", client_id]
        subprocess.run([*command, "-c", "-q", "1", "-t", topic, "-E"], check=True, capture_output=True, timeout=20)

    def publish(self, topic: str, payload: bytes | str, qos: int = 1, retain: bool = False) -> None:
        """Sends one message with mosquitto_pub and returns once the broker has it."""
        sent = payload.encode() if isinstance(payload, str) else payload
        self._pub([*(["-r"] if retain else []), "-q", str(qos), "-t", topic, "-s"], sent)

    def publish_lines(self, topic: str, payloads: Iterable[str], qos: int = 1) -> None:
        """Sends many messages, none with a line break in it, over one connection."""
        self._pub(["-q", str(qos), "-t", topic, "-l"], "".join(f"{payload}\n" for payload in payloads).encode())

    @property
    def _config(self) -> Path:
        return self.folder / "mosquitto.conf"

    @property
    def _log(self) -> Path:
        return self.folder / "mosquitto.log"

    def _settings(self, extra: list[str]) -> list[str]:
        names = tuple(f"{line.split()[0]} " for line in extra)
        shipped = [line for line in SHIPPED.read_text(encoding="utf-8").splitlines() if line and line[0] != "#"]
        lines = [line for line in shipped if not line.startswith((*_SET_HERE, *names))]
        lines += [f"listener {self.port} {self.host}", f"persistence_location {self.folder}/"]
        lines += [f"pid_file {self.folder}/mosquitto.pid", *extra]
        if os.geteuid() == 0:
            lines.append("user root")
        if self.tls is not None:
            lines += [f"certfile {self.tls.cert_file}", f"keyfile {self.tls.key_file}"]
        return lines + self._who_may_connect()

    def _who_may_connect(self) -> list[str]:
        if self.password is None:
            return ["allow_anonymous true"]
        passwords = self.folder / "passwords"
        passwords.touch(mode=0o600)
        subprocess.run(
            [need("mosquitto_passwd"), "-b", str(passwords), self.username, self.password],
            check=True,
            capture_output=True,
        )
        return ["allow_anonymous false", f"password_file {passwords}"]

    def _saved_file(self) -> tuple[int, int]:
        saved = self.folder / "mosquitto.db"
        if not saved.exists():
            return (0, 0)
        found = saved.stat()
        return (found.st_ino, found.st_mtime_ns)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(how)
        self._process.wait(timeout=20)
        self._process = None

    def _pub(self, arguments: list[str], payload: bytes) -> None:
        command = [need("mosquitto_pub"), "-h", self.host, "-p", str(self.port), *arguments]
        if self.password is not None:
            command += ["-u", self.username, "-P", self.password]
        if self.tls is not None:
            command += ["--cafile", str(self.tls.ca_file)]
        done = subprocess.run(command, input=payload, capture_output=True, timeout=60, check=False)
        if done.returncode != 0:
            raise RuntimeError(f"mosquitto_pub failed: {done.stderr.decode(errors='replace').strip()}")
