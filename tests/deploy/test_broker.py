"""The broker of an installed lab, a real Mosquitto: who may do what, and how a probe is added."""

import os
import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.deploy.machine import Machine
from tests.services.free_port import answers, free_port
from tests.services.parts import need
from tests.services.waiting import wait_until

pytestmark = pytest.mark.service

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


@pytest.fixture(scope="module")
def secured(installed: Machine, tmp_path_factory: pytest.TempPathFactory) -> Machine:
    """With a broker set up for 127.0.0.1; to be looked at only."""
    need("mosquitto")
    need("mosquitto_pub")
    need("openssl")
    machine = installed.copy(tmp_path_factory.mktemp("secured") / "machine")
    machine.run("secure-broker.sh", "--name", "lab.local")
    return machine


@pytest.fixture
def lab(secured: Machine, tmp_path: Path) -> Machine:
    """The same, to be changed."""
    return secured.copy(tmp_path / "secured")


@pytest.fixture
def broker(lab: Machine) -> Iterator[LabBroker]:
    started = LabBroker(lab)
    yield started
    started.stop()


def test_a_probe_writes_its_own_topic_and_no_other(lab: Machine, broker: LabBroker) -> None:
    """What it writes as another probe, as the collector or under the broker's own topics reaches nobody."""
    mine = password_in(add(lab, "juniper-top"))
    add(lab, "maple-top")
    broker.read_again()
    collector = collector_password(lab)
    broker.hear("collector", collector, "worms/#", 0)
    for topic in ("worms/maple/top", "worms/juniper/top/more", "worms/juniper", "worms/room/air"):
        assert "Not authorized" in broker.publish("juniper-top", mine, topic, "99")
    assert "Not authorized" in broker.publish("juniper-top", mine, "traywarden/alive", "99")
    assert broker.publish("juniper-top", mine, "worms/juniper/top", "21.5") == ""
    assert broker.hear("collector", collector, "worms/#", 1) == ["worms/juniper/top 21.5"]


def test_a_probe_reads_nothing(lab: Machine, broker: LabBroker) -> None:
    """Neither others' readings, nor its own, nor what is retained, nor the broker's counts; the collector reads all."""
    mine = password_in(add(lab, "juniper-top"))
    other = password_in(add(lab, "maple-top"))
    broker.read_again()
    collector = collector_password(lab)
    broker.hear("collector", collector, "worms/#", 0)
    broker.hear("juniper-top", mine, "# $SYS/#", 0)
    broker.publish("maple-top", other, "worms/maple/top", "19.5", "-r")
    broker.publish("juniper-top", mine, "worms/juniper/top", "21.5", "-r")
    broker.publish("collector", collector, "traywarden/alive", "alive", "-r")
    assert broker.hear("collector", collector, "worms/#", 2) == ["worms/maple/top 19.5", "worms/juniper/top 21.5"]
    assert broker.hear("juniper-top", mine, "# $SYS/#", 1, wait_s=1) == []


def test_the_collector_writes_its_sign_of_life_only(secured: Machine, lab: Machine, broker: LabBroker) -> None:
    """It cannot make up a reading."""
    collector = collector_password(lab)
    assert "Not authorized" in broker.publish("collector", collector, "worms/juniper/top", "21.5")
    assert broker.publish("collector", collector, "traywarden/alive", "alive") == ""


def test_nobody_comes_in_without_a_password(broker: LabBroker) -> None:
    """By no name, by a wrong password, and by an account that is not there."""
    for user, password in (("", ""), ("collector", "wrong"), ("juniper-top", "none given yet")):
        assert "ot authori" in broker.publish(user, password, "worms/juniper/top", "21.5")


def test_nobody_puts_another_out_by_its_client_id(lab: Machine, broker: LabBroker) -> None:
    """An account has one client id, its own name: a probe that comes with another probe's or the collector's id leaves
    their connections, and what waits for them, as they are."""
    mine, other = password_in(add(lab, "juniper-top")), password_in(add(lab, "maple-top"))
    broker.read_again()
    collector = collector_password(lab)
    broker.hear("collector", collector, "worms/#", 0)
    held = [
        broker.words("mosquitto_sub", "juniper-top", mine, "-i", "juniper-top", "-t", "worms/juniper/top"),
        broker.words("mosquitto_sub", "collector", collector, "-i", "collector-live", "-t", "worms/#"),
    ]
    clients = [subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for words in held]
    try:
        wait_until(lambda: broker.log.count("Sending SUBACK to ") >= 3, "both connections")
        for name in ("juniper-top", "collector-live", "collector-hears", "collector"):
            assert broker.publish("maple-top", other, "worms/maple/top", name, "-i", name) == ""
        assert "already connected" not in broker.log
        assert [client.poll() for client in clients] == [None, None]
    finally:
        for client in clients:
            client.kill()
            client.wait()
    heard = broker.hear("collector", collector, "worms/#", 4)
    assert heard == [
        f"worms/maple/top {name}" for name in ("juniper-top", "collector-live", "collector-hears", "collector")
    ]


def test_the_collectors_listener_knows_the_collector_alone(lab: Machine, broker: LabBroker) -> None:
    """A probe's password opens nothing there, and the collector's opens nothing where probes come in."""
    mine, collector = password_in(add(lab, "juniper-top")), collector_password(lab)
    broker.read_again()
    for user, password, own in (("juniper-top", mine, True), ("collector", collector, False), ("", "", True)):
        done = broker.client("mosquitto_pub", user, password, "-t", "worms/juniper/top", "-m", "1", own=own)
        assert "ot authori" in done.stdout + done.stderr


def test_idle_connections_do_not_shut_the_collector_out(lab: Machine, broker: LabBroker) -> None:
    """Two hundred on this machine and five hundred in the network, none of which says who it is: it is in at once."""
    mine, collector = password_in(add(lab, "juniper-top")), collector_password(lab)
    broker.restart()  # Mosquitto 2.0.11 forgets its bounds on connections when it reads its accounts again
    broker.hear("collector", collector, "worms/#", 0)
    assert broker.publish("juniper-top", mine, "worms/juniper/top", "21.5") == ""
    with ExitStack() as idle:
        for port in [broker.plain] * 200 + [broker.tls] * 500:
            idle.enter_context(socket.create_connection(("127.0.0.1", port), 5))
        assert broker.publish("collector", collector, "traywarden/alive", "alive") == ""  # tried once only
        assert broker.hear("collector", collector, "worms/#", 1) == ["worms/juniper/top 21.5"]


def test_what_waits_for_the_collector_outlives_a_restart_of_the_broker(lab: Machine, broker: LabBroker) -> None:
    """Also what comes in after the restart and before the collector is back."""
    mine, collector = password_in(add(lab, "juniper-top")), collector_password(lab)
    broker.read_again()
    broker.hear("collector", collector, "worms/#", 0)
    broker.publish("juniper-top", mine, "worms/juniper/top", "before")
    broker.restart()
    broker.publish("juniper-top", mine, "worms/juniper/top", "after")
    assert broker.hear("collector", collector, "worms/#", 2) == ["worms/juniper/top before", "worms/juniper/top after"]


def test_a_broker_set_up_before_gets_the_collectors_account_moved(lab: Machine) -> None:
    """Where all accounts stood in one file: the password stays what it was, and the probes' accounts stay."""
    add(lab, "juniper-top")
    passwords, own = lab.path(f"{ETC}/passwords"), lab.path(f"{ETC}/passwords-collector")
    account = own.read_text()
    own.unlink()
    passwords.write_text(passwords.read_text() + account)
    assert "move the collector's account" in lab.run("secure-broker.sh")
    assert own.read_text() == account
    assert [line.split(":")[0] for line in passwords.read_text().splitlines()] == ["juniper-top"]


def test_probes_come_by_tls_alone_and_know_the_broker(lab: Machine, broker: LabBroker) -> None:
    """Without TLS the probes' port answers nothing; a broker under another name or of another authority is refused."""
    mine = password_in(add(lab, "juniper-top"))
    broker.read_again()
    plain = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.tls), "-u", "juniper-top", "-P", mine]
    words = [*plain, "-t", "worms/juniper/top", "-m", "1", "-q", "1"]
    assert subprocess.run(words, capture_output=True, timeout=20, check=False).returncode != 0
    trusting = [*words, "--cafile", str(broker.ca)]
    assert subprocess.run(trusting, capture_output=True, timeout=20, check=False).returncode == 0
    elsewhere = lab.folder / "elsewhere"
    elsewhere.mkdir()
    lab.command("bash", lab.checkout / "deploy/make-certificates.sh", elsewhere, "lab.local")
    trusting[-1] = str(elsewhere / "ca.pem")
    assert subprocess.run(trusting, capture_output=True, timeout=20, check=False).returncode != 0


def test_adding_a_probe_is_one_step(lab: Machine, broker: LabBroker) -> None:
    """lab.yaml has it, the broker knows it, and it can publish; others keep their accounts."""
    before = password_in(add(lab, "juniper-top"))
    told = add(lab, "maple-middle", "--at", "maple/middle", "--channel", TEMPERATURE)
    broker.read_again()
    assert "topic     worms/maple/middle" in told
    assert "maple-middle:" in lab.path("/var/lib/traywarden/lab.yaml").read_text()
    assert "alarms, good" in lab.traywarden("rules", "check")
    assert broker.publish("maple-middle", password_in(told), "worms/maple/middle", "20") == ""
    assert broker.publish("juniper-top", before, "worms/juniper/top", "20") == ""


def test_adding_it_again_changes_nothing(lab: Machine) -> None:
    """No file, no account; the password is not shown a second time."""
    add(lab, "maple-middle", "--at", "maple/middle", "--channel", TEMPERATURE)
    before = lab.snapshot()
    told = add(lab, "maple-middle", "--at", "maple/middle", "--channel", TEMPERATURE)
    assert "nothing to change" in told
    assert "password" not in told
    assert lab.snapshot() == before


def test_a_new_password_ends_the_old_one(lab: Machine, broker: LabBroker) -> None:
    """For a probe that was lost: who found it is locked out."""
    old = password_in(add(lab, "juniper-top"))
    new = password_in(add(lab, "juniper-top", "--new-password"))
    broker.read_again()
    assert "ot authori" in broker.publish("juniper-top", old, "worms/juniper/top", "20")
    assert broker.publish("juniper-top", new, "worms/juniper/top", "20") == ""


def test_a_topic_that_changed_in_the_lab_changes_in_the_acl(lab: Machine) -> None:
    """lab.yaml leads: run again, the ACL follows, with one section for the probe."""
    add(lab, "juniper-top")
    lab_yaml = lab.path("/var/lib/traywarden/lab.yaml")
    lab_yaml.write_text(lab_yaml.read_text().replace("worms/juniper/top", "worms/juniper/lid"))
    add(lab, "juniper-top")
    acl = lab.path(f"{ETC}/acl").read_text()
    assert acl.count("user juniper-top") == 1
    assert "topic write worms/juniper/lid\n" in acl
    assert "worms/juniper/top" not in acl
    assert "user collector\ntopic read worms/#\ntopic write traywarden/alive\n" in acl


WRONG = (
    (["Maple Top"], "name the probe first"),
    (["collector"], "'collector' is the collector's own account"),
    (["maple-middle"], "say where it is"),
    (["maple-middle", "--at", "maple/middle", "--topic", "worms/+/middle", "--channel", TEMPERATURE], "one probe"),
    (["maple-middle", "--at", "maple/attic", "--channel", TEMPERATURE], "maple/attic"),
    (["juniper-top", "--topic", "worms/other"], "publishes to 'worms/juniper/top' by lab.yaml"),
)


def test_a_probe_that_cannot_be_added_changes_nothing(lab: Machine) -> None:
    """It is said why; no account is made for it, and lab.yaml stays."""
    before = lab.snapshot()
    for arguments, says in WRONG:
        assert says in add(lab, *arguments, code=1)
    assert lab.snapshot() == before


def test_setting_the_broker_up_again_changes_nothing(lab: Machine) -> None:
    """Certificates, accounts, ACL, settings and configuration stay, its names too."""
    add(lab, "juniper-top")
    before = lab.snapshot()
    lab.run("secure-broker.sh")
    assert lab.snapshot() == before


def test_another_address_is_listened_on_and_certified(lab: Machine) -> None:
    """It stands in the configuration and the certificate; the collector's listener stays on loopback."""
    told = lab.run("secure-broker.sh", "--listen", "192.0.2.10")
    assert "IP:192.0.2.10" in told
    text = lab.path("/etc/mosquitto/conf.d/traywarden.conf").read_text()
    assert "listener 8883 192.0.2.10\n" in text
    assert "listener 1883 127.0.0.1\n" in text
    assert "is not an address" in lab.run("secure-broker.sh", "--listen", "everywhere", code=1)


def test_no_password_can_be_read_from_the_files(lab: Machine) -> None:
    """They are hashed at the broker; the collector's own is a secret of root's."""
    told = add(lab, "juniper-top")
    passwords, own = lab.path(f"{ETC}/passwords"), lab.path(f"{ETC}/passwords-collector")
    secret = lab.path("/etc/traywarden/secrets/MQTT__PASSWORD")
    assert password_in(told) not in passwords.read_text()
    assert secret.read_text().strip() not in own.read_text()
    assert [path.read_text().count(":$7$") for path in (passwords, own)] == [1, 1]
    assert [oct(path.stat().st_mode & 0o777) for path in (passwords, own, secret)] == ["0o640", "0o640", "0o600"]
    assert oct(lab.path(f"{ETC}/ca.key").stat().st_mode & 0o777) == "0o600"


def test_the_collectors_client_id_cannot_be_guessed(secured: Machine, tmp_path: Path) -> None:
    """Whoever comes by it takes its place at the broker; each lab has its own."""
    ids = []
    for machine in (secured, secured.copy(tmp_path / "other")):
        settings = machine.path("/etc/traywarden/settings")
        if machine is not secured:
            lines = [line for line in settings.read_text().splitlines() if "CLIENT_ID" not in line]
            settings.write_text("\n".join([*lines, ""]))
            machine.run("secure-broker.sh")
        (found,) = [
            line for line in settings.read_text().splitlines() if line.startswith("TRAYWARDEN_MQTT__CLIENT_ID=")
        ]
        ids.append(found)
    assert ids[0] != ids[1]
    assert all(len(one) >= len("TRAYWARDEN_MQTT__CLIENT_ID=collector-") + 24 for one in ids)
