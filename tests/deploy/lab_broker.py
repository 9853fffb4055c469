"""The broker of an installed lab, a real Mosquitto, and what its tests ask of it."""

import os
import signal
import subprocess

from tests.deploy.machine import Machine
from tests.services.free_port import answers, free_port
from tests.services.parts import need
from tests.services.waiting import wait_until

TEMPERATURE = "temperature=bedding_temperature,unit=Cel,model=ds18b20"
ETC = "/etc/mosquitto/traywarden"


class LabBroker:
    """Mosquitto with the very configuration that was written, but for its paths and ports."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.plain, self.tls = free_port(), free_port()
        self.ca = machine.path(f"{ETC}/ca.pem")
        text = machine.path("/etc/mosquitto/conf.d/traywarden.conf").read_text(encoding="utf-8")
        text = text.replace("/etc/mosquitto", str(machine.path("/etc/mosquitto")))
        text = text.replace("listener 1883", f"listener {self.plain}").replace("listener 8883", f"listener {self.tls}")
        config = machine.folder / "mosquitto.conf"
        config.write_text(text + "log_type all\n" + ("user root\n" if os.geteuid() == 0 else ""), encoding="utf-8")
        self._config, self._log = config, machine.folder / "mosquitto.log"
        self._start()

    def _start(self) -> None:
        folder = self.machine.folder
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [need("mosquitto"), "-c", self._config], cwd=folder, stdout=log, stderr=log
            )
        wait_until(lambda: answers(self.plain) and answers(self.tls), "Mosquitto on both ports")

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(20)

    def read_again(self) -> None:
        """What the scripts ask of it after a change."""
        before = self._log.read_text().count("Reloading config")
        self._process.send_signal(signal.SIGHUP)
        wait_until(lambda: self._log.read_text().count("Reloading config") > before, "the broker to read again")

    def restart(self) -> None:
        """As after a power cut that it saw coming: what waits is saved, and there again."""
        self.stop()
        self._start()

    @property
    def log(self) -> str:
        return self._log.read_text(encoding="utf-8")

    def words(self, program: str, user: str, password: str, *arguments: str, own: bool | None = None) -> list[str]:
        """As a probe: by TLS; the collector by the port that is its own, or whoever is said to try that."""
        plain = user == "collector" if own is None else own
        where = ["-p", str(self.plain)] if plain else ["-p", str(self.tls), "--cafile", str(self.ca)]
        who = ["-u", user, "-P", password] if user else []
        return [need(program), "-h", "127.0.0.1", *where, *who, "-V", "mqttv5", "-q", "1", *arguments]

    def client(
        self, program: str, user: str, password: str, *arguments: str, own: bool | None = None
    ) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.words(program, user, password, *arguments, own=own),
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )

    def publish(self, user: str, password: str, topic: str, text: str, *more: str) -> str:
        done = self.client("mosquitto_pub", user, password, "-t", topic, "-m", text, *more)
        return done.stdout + done.stderr

    def hear(self, user: str, password: str, topics: str, count: int, wait_s: int = 5) -> list[str]:
        """What waits for that user, whose session is kept."""
        kept = ["-i", f"{user}-hears", "-c", "-x", "600"]
        limits = ["-C", str(count), "-W", str(wait_s)] if count else ["-E"]
        wanted = [word for topic in topics.split() for word in ("-t", topic)]
        done = self.client("mosquitto_sub", user, password, *kept, *wanted, "-F", "%t %p", *limits)
        return done.stdout.splitlines()


def add(machine: Machine, name: str, *arguments: str, code: int = 0) -> str:
    return machine.run("add-probe.sh", name, *arguments, code=code)


def password_in(told: str) -> str:
    (line,) = [line for line in told.splitlines() if line.startswith("password ")]
    return line.split()[1]


def collector_password(machine: Machine) -> str:
    return machine.path("/etc/traywarden/secrets/MQTT__PASSWORD").read_text().strip()
