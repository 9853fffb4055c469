"""The broker of an installed lab: who may do what."""

import socket
import subprocess
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.deploy.lab_broker import ETC, LabBroker, add, collector_password, password_in
from tests.deploy.machine import Machine
from tests.services.waiting import wait_until

pytestmark = pytest.mark.service


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
