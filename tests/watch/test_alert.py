"""From a probe to a person: real broker, real mail server, and what happens when either or the collector goes."""

import json
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.services.mosquitto import Mosquitto
from tests.services.smtp_server import SmtpServer
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.worlds.home import hot_pack, make_home

pytestmark = pytest.mark.service


@pytest.fixture
def mail() -> Iterator[SmtpServer]:
    with SmtpServer() as server:
        yield server


@pytest.fixture
def watch(tmp_path: Path, mosquitto: Mosquitto, mail: SmtpServer) -> Iterator[Watch]:
    settings = {
        "MQTT__PORT": mosquitto.port,
        "MAIL__HOST": mail.host,
        "MAIL__PORT": mail.port,
        "MAIL__SECURITY": "none",
        "MAIL__SENDER": "traywarden@quillbrook.example",
    }
    watch = Watch(make_home(tmp_path / "home"), settings)
    yield watch
    watch.kill()


def _subjects(mail: SmtpServer) -> list[str]:
    return [str(one.message["Subject"]) for one in mail.accepted]


def test_an_alert_arrives_once_and_says_what_to_do(watch: Watch, mosquitto: Mosquitto, mail: SmtpServer) -> None:
    """32 degC in Juniper's top tray: one mail with place, value, since when, what to do. Its return right after that is
    held back for a minute, and is not forgotten."""
    watch.start()
    start_s = time.time() - 300
    for number, celsius in enumerate((28.5, 29.9, 31.2, 32.1)):
        mosquitto.publish("worms/juniper/top", hot_pack(start_s + number * 60, celsius))
    wait_until(lambda: mail.accepted, "the alert")
    mosquitto.publish("worms/juniper/top", hot_pack(start_s + 240, 30.5))
    mosquitto.publish("worms/juniper/top", hot_pack(start_s + 299, 28.9))
    wait_until(lambda: watch.status()["readings"] == 12, "the return to normal")
    watch.stop()
    ((raised,),) = [[one.message for one in mail.accepted]]
    assert "Juniper, top tray" in str(raised["Subject"])
    assert str(raised["To"]) == "teacher@quillbrook.example"
    assert [part.get_content_type() for part in raised.walk()][-2:] == ["text/html", "image/png"]
    plain = raised.get_body(("plain",))
    assert plain is not None
    text = plain.get_content()
    assert "limit 30.0 °C" in text
    assert "Lift the blanket" in text
    assert "4 h" in text
    with closing(sqlite3.connect(watch.home / "traywarden.db")) as db:
        found = db.execute("SELECT event, fate FROM notices ORDER BY t_ms").fetchall()
    assert found == [("raised", "told"), ("cleared", "waiting")]
    assert watch.status()["outbox"] == {"waiting": 0, "sent": 1, "failed": 0, "unconfirmed": 0}


def test_mail_down_then_up_still_arrives_once(watch: Watch, mosquitto: Mosquitto, mail: SmtpServer) -> None:
    """The mail server is away when the alarm comes: the message waits, and arrives once when it is back."""
    watch.start()
    mail.stop()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: watch.status()["outbox"]["waiting"] == 1 and "waits" in watch.log, "the message to wait")
    mail.start()
    watch.stop()
    watch.start()  # also shows that a restart neither loses nor repeats it
    wait_until(lambda: mail.accepted, "the alert", 45)
    watch.stop()
    assert len(mail.accepted) == 1


def test_a_killed_collector_tells_neither_twice_nor_never(watch: Watch, mosquitto: Mosquitto, mail: SmtpServer) -> None:
    """Killed right after the alert and started again over the same readings: still one mail, and the alarm stands."""
    watch.start()
    pack = hot_pack(time.time() - 1, 33.0)
    mosquitto.publish("worms/juniper/top", pack)
    wait_until(lambda: watch.status()["outbox"]["sent"] == 1, "the alert")
    watch.kill()
    mosquitto.publish("worms/juniper/top", pack)
    mosquitto.publish("worms/juniper/top", hot_pack(time.time(), 33.4))
    watch.start()
    wait_until(lambda: watch.status()["readings"] == 4, "both readings once")
    (alarm,) = watch.status()["alarms"]
    assert (alarm["name"], alarm["at"], alarm["state"]) == ("bedding-hot", "juniper/top", "unacknowledged")
    watch.stop()
    assert len(mail.accepted) == 1


def test_acknowledging_is_taken_up_within_a_second_or_so(watch: Watch, mosquitto: Mosquitto, mail: SmtpServer) -> None:
    """`alarms acknowledge` answers, the state changes, the history says by whom; a slip is told with the right name."""
    watch.start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: mail.accepted, "the alert")
    said = watch.run("alarms", "acknowledge", "bedding-hot", "--at", "juniper/top", "--by", "class 4b")
    assert said == "acknowledged\n"
    with closing(sqlite3.connect(watch.home / "traywarden.db")) as db:
        ((asked_ms, done_ms),) = db.execute("SELECT at_ms, done_ms FROM requests").fetchall()
    assert 0 <= done_ms - asked_ms < 1_500, "from when it was left to when the loop took it up, without process starts"
    assert watch.status()["alarms"][0]["state"] == "acknowledged"
    assert "class 4b" in watch.run("alarms", "history")
    slip = watch.try_run("alarms", "acknowledge", "beding-hot", "--at", "juniper/top", "--by", "class 4b")
    assert (slip.returncode, slip.stdout) == (1, "")
    assert "did you mean 'bedding-hot'?" in slip.stderr
    watch.stop()


@pytest.mark.slow
def test_a_shelved_alarm_is_not_told_and_comes_back_by_itself_later(
    watch: Watch, mosquitto: Mosquitto, mail: SmtpServer
) -> None:
    """`alarms shelve` answers and the state says so; a wrong time and an empty reason are one line each."""
    watch.start()
    shelve = ("alarms", "shelve", "bedding-hot", "--at", "juniper/top", "--by", "teacher")
    assert watch.run(*shelve, "--for", "8 h", "--reason", "window being repaired") == "shelved\n"
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: watch.status()["readings"] == 2, "the reading")
    assert [(one["name"], one["state"]) for one in watch.status()["alarms"]] == [("bedding-hot", "shelved")]
    for wrong, said in (
        (("--for", "soon", "--reason", "r"), "--for: 'soon'"),
        (("--for", "8 h", "--reason", " "), "--reason: one line"),
    ):
        done = watch.try_run(*shelve, *wrong)
        assert done.returncode == 1
        assert said in done.stderr
        assert done.stderr.count("\n") == 1
    long = watch.try_run(*shelve, "--for", "30 d", "--reason", "holidays")
    assert (long.returncode, long.stderr.count("\n")) == (1, 1)
    assert "7 d at most" in long.stderr
    assert mail.accepted == []
    watch.stop()
    watch.start()
    unshelve = ("alarms", "unshelve", "bedding-hot", "--at", "juniper/top", "--by", "teacher")
    assert watch.run(*unshelve) == "off the shelf\n"
    wait_until(lambda: mail.accepted, "the alert, once it is off the shelf")
    assert "it is not shelved" in watch.try_run(*unshelve).stderr
    watch.stop()


def test_a_probe_taken_out_of_service_is_quiet_until_it_is_put_back(
    watch: Watch, mosquitto: Mosquitto, mail: SmtpServer
) -> None:
    """By command, over a restart of the collector, with its readings kept; a second time there is nothing to do."""
    watch.start()
    out = ("probes", "out-of-service", "juniper-top", "--reason", "cable being replaced", "--by", "maintainer")
    assert json.loads(watch.run(*out, "--json")) == {"order": "probe-out", "done": True, "answer": "out of service"}
    assert watch.try_run(*out).stderr == "juniper-top is out of service already\n"
    assert "juniper-top is out of service, by maintainer" in watch.run("probes", "list")
    watch.stop()
    watch.start()
    mosquitto.publish("worms/juniper/top", hot_pack(time.time() - 1, 33.0))
    wait_until(lambda: watch.status()["readings"] == 2, "the reading")
    assert {one["name"]: one["state"] for one in watch.status()["alarms"]}["bedding-hot"] == "out-of-service"
    assert mail.accepted == []
    assert watch.run("probes", "in-service", "juniper-top", "--by", "maintainer") == "in service\n"
    wait_until(lambda: mail.accepted, "the alert, once it is in service")
    assert "cable being replaced" in watch.run("alarms", "history")
    watch.stop()


def test_late_and_doubled_readings_never_step_an_alarm_back(
    watch: Watch, mosquitto: Mosquitto, mail: SmtpServer
) -> None:
    """While a tray is hot, a cool reading from before and a doubled one are stored and clear nothing."""
    watch.start()
    now_s = time.time()
    mosquitto.publish("worms/juniper/top", hot_pack(now_s - 10, 33.0))
    mosquitto.publish("worms/juniper/top", hot_pack(now_s - 100, 20.0))
    mosquitto.publish("worms/juniper/top", hot_pack(now_s - 10, 20.0))
    wait_until(lambda: watch.status()["readings"] == 4 and watch.status()["duplicates"] == 2, "all taken in")
    wait_until(lambda: mail.accepted, "the alert")
    watch.stop()
    assert _subjects(mail) == [subject for subject in _subjects(mail) if "BACK" not in subject]
    assert len(mail.accepted) == 1
    assert watch.status()["alarms"][0]["state"] == "unacknowledged"


def test_checkup_says_what_is_good_and_what_to_fix(
    watch: Watch, mosquitto: Mosquitto, mail: SmtpServer, start_mosquitto: Callable[..., Mosquitto]
) -> None:
    """Against the real parts all is good and exit 0; with a wrong mail port the line names it and exit is 1."""
    good = watch.run("checkup")
    assert good.count("fix ") == 0
    assert f"connected to 127.0.0.1:{mosquitto.port}" in good
    assert "mail" in good
    assert mail.accepted == []
    watch.settings["MAIL__PORT"] = 1
    assert "fix   mail" in watch.run("checkup", code=1)


def test_who_would_be_told_is_asked_at_the_start_and_shown_by_status(watch: Watch) -> None:
    """The log warns of places with nobody, `status` has each place; with somebody everywhere nothing is warned of."""
    watch.start()
    wait_until(lambda: watch.status()["high_alarm"], "the answer")
    assert "high alarm anywhere: teacher by email\n" in watch.run("status")
    assert "nobody would be told" not in watch.log
    watch.stop()
    del watch.settings["MAIL__HOST"]
    watch.start()
    wait_until(lambda: not watch.status()["high_alarm"][0]["told"], "the answer")
    assert [one["told"] for one in watch.status()["high_alarm"]] == [[]] * len(watch.status()["high_alarm"])
    assert watch.status()["high_alarm"][-1]["at"] == "collector"
    assert "high alarm anywhere: nobody\n" in watch.run("status")
    assert "warning: nobody would be told of a high alarm now, anywhere; see 'people'" in watch.log
    watch.stop()


def test_checkup_is_never_all_good_where_nobody_would_be_told(watch: Watch, mail: SmtpServer) -> None:
    """With a real broker and mail server: an address that is dead, a subscription that misses the probes, and people
    left without a mail server each end it with 1; nothing is sent."""
    assert "all good" in watch.run("checkup")
    assert "note  heartbeat no sign of life is set up" in watch.run("checkup")
    sound = dict(watch.settings)
    watch.settings = {**sound, "HEARTBEAT__URL": "http://127.0.0.1:1/ping"}
    assert "fix   heartbeat 127.0.0.1 cannot be reached" in watch.run("checkup", code=1)
    watch.settings = {**sound, "MQTT__TOPIC": "school/#"}
    assert "fix   probes    lab.yaml:" in watch.run("checkup", code=1)
    watch.settings = {"MQTT__PORT": sound["MQTT__PORT"]}
    alone = watch.run("checkup", code=1)
    assert "fix   people    nobody would be told of a high alarm now, anywhere" in alone
    assert alone.splitlines()[-1] == "2 to fix"
    assert mail.accepted == []
