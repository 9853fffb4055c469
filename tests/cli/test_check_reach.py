"""`checkup` on being warned: nobody to tell, probes that are not heard, signs of life that reach nobody. Each is tried
against real servers; the whole command: test_checkup_warns."""

from pathlib import Path

import pytest
from pydantic import SecretStr

from collector.cli.checkup.checks import Finding, Verdict, check_mail
from collector.cli.checkup.reach import check_heartbeat, check_reach, check_topics
from collector.config.home import Home
from collector.config.settings import Chat, Heartbeat, Mail, Mqtt, Settings
from collector.store.watch_state import SignalTally, WatchState, write_state
from tests.cli.command_line import stock
from tests.delivery.watcher import KEY, watching
from tests.services.free_port import free_port
from tests.worlds.home import LAB

NOW = 1_772_438_400_000
TEACHER = "{email: teacher@quillbrook.example}"
MAIL = Mail(host="127.0.0.1")
TOPIC = Heartbeat(topic="traywarden/alive")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    stock(tmp_path / "home")
    return Home(tmp_path / "home")


def said(findings: list[Finding]) -> tuple[Verdict, str]:
    (one,) = findings
    return one.verdict, one.text


def people(home: Home, text: str) -> None:
    head = LAB[: LAB.index("people:")]
    home.lab_file.write_text(f"{head}people:{text}\n", encoding="utf-8")


def test_who_would_be_told_is_said(home: Home) -> None:
    """By which way."""
    assert said(list(check_reach(home, Settings(mail=MAIL)))) == (
        Verdict.GOOD,
        "told of a high alarm now, anywhere: teacher by email",
    )


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # by apprise
def test_mail_addresses_without_a_mail_server_are_to_fix(home: Home) -> None:
    """The setting is named, and who is not told; nobody would be told anywhere. Without any mail address it is no
    fault."""
    verdict, text = said(list(check_mail(home, Settings())))
    assert verdict is Verdict.FIX
    assert text.startswith("TRAYWARDEN_MAIL__HOST is not set: messages go to files in ")
    assert text.endswith(", not to teacher")
    assert said(list(check_reach(home, Settings()))) == (
        Verdict.FIX,
        "nobody would be told of a high alarm now, anywhere; see 'people' in lab.yaml and deploy/ALERTS.md",
    )
    people(home, " {class: {chat: class-4b}}")
    chat = Settings(chat=Chat(urls=SecretStr("class-4b=json://localhost/x")))
    assert said(list(check_mail(home, chat)))[0] is Verdict.NOTE
    assert said(list(check_reach(home, chat)))[1] == "told of a high alarm now, anywhere: class by chat"


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (" {}", "anywhere"),
        (f" {{teacher: {TEACHER[:-1]}, priorities: [low], where: [room]}}}}", "anywhere"),
        (f" {{teacher: {TEACHER[:-1]}, where: [juniper, room]}}}}", "maple, the collector itself"),
    ],
)
def test_a_place_with_nobody_to_hear_of_it_is_to_fix(home: Home, text: str, where: str) -> None:
    """No people; the only person hears of low alarms in one room; some places are left out."""
    people(home, text)
    verdict, line = said(list(check_reach(home, Settings(mail=MAIL))))
    assert verdict is Verdict.FIX
    assert line.startswith(f"nobody would be told of a high alarm now, {where}; ")


def test_a_topic_outside_the_subscription_is_to_fix(home: Home) -> None:
    """With its line; a topic with '+' must be inside with all it can stand for. A shared subscription counts as what
    it is of."""
    assert list(check_topics(home, Settings(mqtt=Mqtt(topic="$share/labs/worms/#")))) == []
    found = list(check_topics(home, Settings(mqtt=Mqtt(topic="worms/juniper/#"))))
    assert {one.verdict for one in found} == {Verdict.FIX}
    assert [one.text.split(" probes.")[1].split(":")[0] for one in found] == ["maple-top.topic", "room-air.topic"]
    assert found[0].text.endswith(
        ": 'worms/maple/top' is not within TRAYWARDEN_MQTT__TOPIC 'worms/juniper/#', so what it says is not heard"
    )
    assert found[0].text.startswith("lab.yaml:")


def test_files_that_cannot_be_read_are_for_the_other_checks(home: Home) -> None:
    """They name the mistake; here nothing is said twice."""
    home.lab_file.write_text("lab: [", encoding="utf-8")
    assert [*check_reach(home, Settings()), *check_topics(home, Settings())] == []
    assert said(list(check_mail(home, Settings())))[0] is Verdict.NOTE


def test_no_sign_of_life_is_pointed_out(home: Home) -> None:
    """A note: a lab may do without, knowingly."""
    verdict, text = said(list(check_heartbeat(home, Settings(), NOW)))
    assert verdict is Verdict.NOTE
    assert text.startswith("no sign of life is set up: ")


def beats(home: Home, url: str) -> tuple[Verdict, str]:
    return said(list(check_heartbeat(home, Settings(heartbeat=Heartbeat(url=SecretStr(url))), NOW)))


def test_the_web_address_of_the_sign_of_life_is_called(home: Home) -> None:
    """Good where it answers; what it answers else, or that nobody does, is to fix, without the key in it."""
    with watching() as watcher:
        assert beats(home, watcher.url) == (Verdict.GOOD, "the web address answers")
        watcher.answers.append(404)
        assert beats(home, watcher.url) == (
            Verdict.FIX,
            "127.0.0.1 answered 404; see TRAYWARDEN_HEARTBEAT__URL",
        )
        assert watcher.calls == 2
    verdict, text = beats(home, f"http://127.0.0.1:{free_port()}/ping/{KEY}")
    assert verdict is Verdict.FIX
    assert text == "127.0.0.1 cannot be reached; see TRAYWARDEN_HEARTBEAT__URL"


@pytest.mark.parametrize(
    ("runs", "error", "verdict", "says"),
    [
        (False, "", Verdict.NOTE, "is written by a running collector alone, so it was not tried"),
        (True, None, Verdict.FIX, "': the collector that runs does not write; see"),
        (True, "", Verdict.GOOD, "'traywarden/alive' is written"),
        (True, "not allowed", Verdict.FIX, "': not allowed; see TRAYWARDEN_HEARTBEAT__TOPIC"),
    ],
)
def test_the_topic_is_judged_by_what_the_broker_told_the_collector(
    home: Home, runs: bool, error: str | None, verdict: Verdict, says: str
) -> None:
    """A sign of life from `checkup` would be a false one, so it writes none."""
    beat = () if error is None else (SignalTally(by="topic", last_ms=None, failures=0, error=error),)
    write_state(home.sign_of_life, WatchState(alive_ms=NOW, stopped=not runs, heartbeat=beat))
    found = said(list(check_heartbeat(home, Settings(heartbeat=TOPIC), NOW)))
    assert found[0] is verdict
    assert says in found[1]


def test_a_topic_before_the_collector_ever_ran_is_not_tried(home: Home) -> None:
    """A note says so."""
    assert said(list(check_heartbeat(home, Settings(heartbeat=TOPIC), NOW)))[0] is Verdict.NOTE
