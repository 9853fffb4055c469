"""Probes at the broker of an installed lab: added, given another password or name, taken away."""

import subprocess

import pytest

from tests.deploy.lab_broker import ETC, TEMPERATURE, LabBroker, add, password_in
from tests.deploy.machine import Machine
from tests.services.waiting import wait_until

pytestmark = pytest.mark.service


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


def test_a_probe_taken_away_is_out_at_once(lab: Machine, broker: LabBroker) -> None:
    """Also while it is connected; all others keep their accounts, lab.yaml its entry. A second time changes nothing."""
    mine, other = password_in(add(lab, "juniper-top")), password_in(add(lab, "maple-top"))
    broker.read_again()
    words = broker.words("mosquitto_sub", "juniper-top", mine, "-i", "juniper-top", "-t", "worms/juniper/top")
    client = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: "Sending SUBACK to " in broker.log, "its connection")
        told = lab.run("remove-probe.sh", "juniper-top")
        broker.read_again()
        wait_until(lambda: "not authorised" in broker.log, "the broker to close it")
    finally:
        client.kill()
        client.wait()
    assert "take the account 'juniper-top' away" in told
    assert "ot authori" in broker.publish("juniper-top", mine, "worms/juniper/top", "20")
    assert broker.publish("maple-top", other, "worms/maple/top", "20") == ""
    acl = lab.path(f"{ETC}/acl").read_text()
    assert ("juniper-top" in acl, "user maple-top\ntopic write worms/maple/top\n" in acl) == (False, True)
    assert "  juniper-top:" in lab.path("/var/lib/traywarden/lab.yaml").read_text()
    before = lab.snapshot()
    assert "nothing to change" in lab.run("remove-probe.sh", "juniper-top")
    assert lab.snapshot() == before
    for name, says in (("collector", "collector's own account"), ("Maple Top", "name the probe")):
        assert says in lab.run("remove-probe.sh", name, code=1)
    assert lab.snapshot() == before


def test_a_renamed_probe_has_no_account_of_its_old_name_left(lab: Machine, broker: LabBroker) -> None:
    """What 'probes move --name' says to do, word for word: it is heard all the while, in the end as the new one."""
    old = password_in(add(lab, "juniper-top"))
    told = lab.traywarden("probes", "move", "juniper-top", "--name", "juniper-lid")
    broker.read_again()
    assert broker.publish("juniper-top", old, "worms/juniper/top", "20") == ""
    to_do = [line.partition("/")[2].split()[:2] for line in told.splitlines() if line.startswith("  sudo deploy/")]
    assert to_do == [["add-probe.sh", "juniper-lid"], ["remove-probe.sh", "juniper-top"]]
    new = password_in(lab.run(*to_do[0]))
    lab.run(*to_do[1])
    broker.read_again()
    assert "ot authori" in broker.publish("juniper-top", old, "worms/juniper/top", "20")
    assert broker.publish("juniper-lid", new, "worms/juniper/top", "20") == ""


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
