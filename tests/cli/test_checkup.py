"""`checkup`: each part tried for real, each finding one line that says what to fix. All good: see test_alert."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from pydantic import SecretStr

from collector.cli.checkup.alarms import check_own_alarms
from collector.cli.checkup.checks import (
    Finding,
    Verdict,
    check_broker,
    check_files,
    check_journal,
    check_mail,
    check_people,
    check_uplink,
)
from collector.config.home import Home
from collector.config.settings import Chat, Mail, Mqtt, Settings, Uplink
from collector.store.watch_state import STALE_MS, WatchState, write_state
from tests.cli.command_line import Commands, other_program, stock
from tests.config.test_icalendar_days import calendar, event
from tests.intake.odd_brokers import CONNECT, SUBSCRIBE, OddBroker, accepts, subscribed
from tests.services.free_port import free_port
from tests.services.mosquitto import Mosquitto
from tests.uplink.far_end import TOKEN, Answer, FarEnd
from tests.worlds.home import LAB

NOW = 1_772_438_400_000


@pytest.fixture
def home(tmp_path: Path) -> Home:
    stock(tmp_path / "home")
    return Home(tmp_path / "home")


@pytest.fixture
def commands(home: Home, capsys: pytest.CaptureFixture[str]) -> Commands:
    """Where no broker is to be found."""
    return Commands(home.path, capsys)


def settings(mqtt: Mqtt | None = None, mail: Mail | None = None, chat: str | None = None) -> Settings:
    secret = None if chat is None else SecretStr(chat)
    return Settings(mqtt=mqtt or Mqtt(), mail=mail or Mail(), chat=Chat(urls=secret))


def fixes(findings: list[Finding]) -> list[str]:
    return [f"{one.part}: {one.text}" for one in findings if one.verdict is Verdict.FIX]


def test_sound_files_are_good(home: Home) -> None:
    """The lab by name with its probes and people, and how many alarms."""
    found = list(check_files(home))
    assert fixes(found) == []
    assert found[0].text == "Quillbrook School worm lab: 4 probes, 1 people"
    assert any(one.part == "rules" and one.verdict is Verdict.GOOD for one in found)


def test_every_mistake_of_the_files_is_to_fix(home: Home) -> None:
    """lab.yaml and the rules, both in one go."""
    home.lab_file.write_text(LAB.replace("format: number", "format: numbers"), encoding="utf-8")
    (home.rules_folder / "site.yaml").write_text("alarms: 3\n", encoding="utf-8")
    found = fixes(list(check_files(home)))
    assert [line.split(":")[0] for line in found] == ["lab.yaml", "rules"]


def days_off(home: Home, lab: str) -> list[tuple[Verdict, str]]:
    """What is said of calendars where the file says this of the lab."""
    home.lab_file.write_text(LAB.replace("units: metric}", f"units: metric, {lab}}}"), encoding="utf-8")
    return [(one.verdict, one.text) for one in check_files(home) if one.part == "calendar"]


def test_the_calendars_and_the_next_break_are_said(home: Home) -> None:
    """Each file with its spans; without holidays there is nothing to say."""
    assert days_off(home, "hours: {mon-fri: 08:00-16:00}") == []
    year = home.calendars().today.year
    (home.path / "c").mkdir()
    days = [event(f"DTSTART;VALUE=DATE:{year + 1}{day}", "DURATION:P7D", uid=day) for day in ("0105", "0405")]
    (home.path / "c" / "a.ics").write_text(calendar(*days), encoding="utf-8")
    (home.path / "b.ics").write_text(calendar(days[0]), encoding="utf-8")
    seven_days = f"hours: {{mon-sun: 08:00-16:00}}, holidays: [c/, {year - 1}-01-01 to {year - 1}-01-02, b.ics]"
    assert days_off(home, seven_days) == [
        (Verdict.GOOD, "c/a.ics: 2 spans of days"),
        (Verdict.GOOD, "b.ics: 1 span of days"),
        (Verdict.GOOD, f"next break: {year + 1}-01-05 to {year + 1}-01-11"),
    ]


def test_holidays_and_terms_of_past_years_are_pointed_out(home: Home) -> None:
    """Such holidays are none; such terms leave no school day, so that no digest would go out."""
    assert days_off(home, "holidays: [2020-12-21 to 2021-01-03]") == [
        (Verdict.NOTE, "no break within 400 days; put the next one into lab.yaml or its calendars")
    ]
    assert days_off(home, "terms: [2020-08-24 to 2020-12-18]") == [
        (Verdict.FIX, "no school day within 400 days, so no digest goes out; see lab.terms and lab.holidays")
    ]


def test_chat_addresses_of_people_must_be_among_the_settings(home: Home) -> None:
    """Who has mail as well is pointed out, who has nothing else is to fix; the line, and which names there are."""
    more = "  night: {chat: phone}\n  class: {chat: class-4b}\n"
    home.lab_file.write_text(LAB.replace("example}", "example, chat: phone}") + more, encoding="utf-8")
    found = [(one.verdict, one.text) for one in check_people(home, settings(chat="class-4b=json://localhost/x"))]
    says = "'phone' is no name in TRAYWARDEN_CHAT__URLS; there are: class-4b"
    line = LAB.count("\n")
    assert found == [
        (Verdict.NOTE, f"lab.yaml:{line}:54 people.teacher.chat: {says}"),
        (Verdict.FIX, f"lab.yaml:{line + 1}:17 people.night.chat: {says}"),
    ]
    (first, *_) = check_people(home, settings())
    assert first.text.endswith("; there are none")
    home.lab_file.write_text("lab: [", encoding="utf-8")
    assert list(check_people(home, settings())) == []


@pytest.mark.parametrize(
    ("state", "verdict", "says"),
    [
        (None, Verdict.NOTE, "not running here"),
        (WatchState(alive_ms=NOW - STALE_MS - 1), Verdict.NOTE, "not running here"),
        (WatchState(alive_ms=NOW, stopped=True), Verdict.NOTE, "not running here"),
        (WatchState(alive_ms=NOW - STALE_MS), Verdict.GOOD, "running, link to the broker: up"),
        (
            WatchState(alive_ms=NOW, backlog=9, stalled="the disk is full"),
            Verdict.FIX,
            "cannot be written: the disk is full",
        ),
    ],
)
def test_the_collector_is_judged_by_its_sign_of_life(
    home: Home, state: WatchState | None, verdict: Verdict, says: str
) -> None:
    """Running, not running, or running and unable to write."""
    if state is not None:
        write_state(home.sign_of_life, state)
    (watch,) = (one for one in check_journal(home, NOW) if one.part == "watch")
    assert watch.verdict is verdict
    assert says in watch.text


def test_a_journal_of_another_program_is_to_fix(home: Home) -> None:
    """Said as it is, and the rest is still looked at."""
    home.database.unlink()
    other_program(home.database)
    found = list(check_journal(home, NOW))
    assert any("another program" in line for line in fixes(found))
    assert {one.part for one in found} == {"disk", "journal", "watch"}


def test_before_anything_was_made_it_says_how_to_begin(tmp_path: Path) -> None:
    """No home folder, not even the one above: each finding one line, nothing raised."""
    home = Home(tmp_path / "no" / "such" / "home")
    assert any("no readings yet" in one.text for one in check_journal(home, NOW))
    assert any("traywarden init" in line for line in fixes(list(check_files(home))))


def test_no_broker_is_to_fix_with_the_setting_named(home: Home) -> None:
    """Nothing listens."""
    (line,) = fixes(list(check_broker(home, settings(mqtt=Mqtt(port=free_port())))))
    assert "TRAYWARDEN_MQTT__PORT" in line


def test_a_port_that_is_no_broker_is_to_fix(home: Home) -> None:
    """It takes the connection and says nothing."""
    with OddBroker() as odd:
        (line,) = fixes(list(check_broker(home, settings(mqtt=Mqtt(port=odd.port)))))
    assert line == f"broker: 127.0.0.1:{odd.port} takes the connection but does not answer as a broker"


def test_a_broker_that_does_not_let_us_read_is_to_fix(home: Home) -> None:
    """Its access rules are named."""

    def answer(kind: int, body: bytes) -> bytes:
        return accepts("5") if kind == CONNECT else subscribed("5", body, 0x87) if kind == SUBSCRIBE else b""

    with OddBroker(answer) as odd:
        (line,) = fixes(list(check_broker(home, settings(mqtt=Mqtt(port=odd.port)))))
    assert line.endswith("check its access rules")


@pytest.mark.service
def test_what_is_heard_on_the_broker_is_shown(home: Home, mosquitto: Mosquitto) -> None:
    """Topics heard in a moment of listening; the collector's own session is left alone."""
    mosquitto.publish("worms/room/air", "19.5", retain=True)
    found = list(check_broker(home, settings(mqtt=Mqtt(port=mosquitto.port))))
    assert [one.verdict for one in found] == [Verdict.GOOD, Verdict.GOOD]
    assert found[1].text == "heard within 3 s: worms/room/air"


@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")  # by apprise
def test_mail_and_chat_are_tried_without_sending(home: Home) -> None:
    """No mail server for people with mail, one that is not there, a wrong chat address: to fix."""
    (one,) = check_mail(home, settings())
    assert one.verdict is Verdict.FIX
    assert str(home.outbox_folder) in one.text
    there = settings(mail=Mail(host="127.0.0.1", port=free_port()), chat="xyzzy://secret-place")
    found = fixes(list(check_mail(home, there)))
    assert [line.split(":")[0] for line in found] == ["mail", "chat"]
    assert not any("secret-place" in line for line in found)


def test_the_command_counts_what_is_to_fix(
    home: Home, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 1 with the number at the end; --json has verdict, part and text of each."""
    monkeypatch.setenv("TRAYWARDEN_MQTT__PORT", str(free_port()))
    commands = Commands(home.path, capsys)
    said = commands.run("checkup")
    assert (said.code, said.err) == (1, "")
    assert said.out.splitlines()[-1] == "3 to fix"
    to_fix = [line.split()[1] for line in said.out.splitlines() if line.startswith("fix   ")]
    assert to_fix == ["people", "broker", "mail"]
    listed = commands.run("checkup", "--json")
    assert listed.code == 1
    assert '"verdict": "fix", "part": "broker"' in listed.out


def uplink_found(url: str, token: str = TOKEN) -> list[Finding]:
    """What is said of an uplink to there."""
    uplink = Uplink(url=url, bucket="worms", token=SecretStr(token))
    return list(check_uplink(Settings(uplink=uplink), NOW))


def test_an_uplink_is_tried_without_leaving_data() -> None:
    """Good where the database answers and takes the token, also where it wants data in a write; nothing is kept."""
    with FarEnd() as far:
        assert [one.verdict for one in uplink_found(far.url)] == [Verdict.GOOD]
        far.answers.append(Answer(400))
        assert [one.verdict for one in uplink_found(far.url)] == [Verdict.GOOD]
        assert far.points == {}
    assert list(check_uplink(Settings(uplink=Uplink()), NOW)) == []


def test_an_uplink_that_is_not_there_or_refuses_is_to_fix() -> None:
    """With the setting that would mend it."""
    with FarEnd() as far:
        (said,) = fixes(uplink_found(far.url, token="another"))
        assert said.endswith("see TRAYWARDEN_UPLINK__TOKEN")
        far.answers.append(Answer(404))
        (said,) = fixes(uplink_found(far.url))
        assert said.endswith("see TRAYWARDEN_UPLINK__BUCKET and __ORG")
    (said,) = fixes(uplink_found(f"http://127.0.0.1:{free_port()}"))
    assert "cannot be reached" in said


def stands(home: Home, rule: str, place: str, state: str = "unacknowledged") -> None:
    """The one alarm of the stock becomes this one."""
    with closing(sqlite3.connect(home.database)) as db, db:
        db.execute("UPDATE alarm_states SET rule = ?, series = 99, state = ?", (rule, state))
        db.execute("UPDATE alarm_history SET rule = ?, series = 99, place = ?", (rule, place))


@pytest.mark.parametrize("state", ["unacknowledged", "acknowledged"])
@pytest.mark.parametrize(
    ("rule", "place", "to_do"),
    [
        ("journal-damaged", "collector", "Replace the card or disk."),
        ("readings-not-kept", "collector", "Check each bin by hand today"),
        ("mail-failing", "collector", "traywarden"),
        ("broker-lost", "broker", "See whether the small computer"),
        ("gone-since", "collector", "gone-since stands since 2026-"),
    ],
)
def test_an_alarm_of_the_collector_itself_is_to_fix(
    home: Home, commands: Commands, rule: str, place: str, to_do: str, state: str
) -> None:
    """While one stands, also when someone has seen it, `checkup` says since when and what to do, never all good."""
    stands(home, rule, place, state)
    (line,) = fixes(list(check_own_alarms(home)))
    assert line.startswith(f"alarm: {rule} stands since 2026-")
    assert to_do in line
    said = commands.run("checkup")
    assert f"fix   alarm     {rule} stands since" in said.out
    assert "all good" not in said.out
    assert said.code == 1


def test_alarms_of_bins_and_shelved_ones_are_no_fault_of_the_set_up(home: Home) -> None:
    """A hot tray is for the class to see to; what is shelved was decided. Without a journal nothing is said."""
    assert list(check_own_alarms(home)) == []
    stands(home, "journal-damaged", "collector", "shelved")
    assert list(check_own_alarms(home)) == []
    stands(home, "journal-damaged", "collector")
    (home.rules_folder / "site.yaml").write_text("alarms: 3\n", encoding="utf-8")
    assert len(list(check_own_alarms(home))) == 1
    home.database.unlink()
    assert list(check_own_alarms(home)) == []
