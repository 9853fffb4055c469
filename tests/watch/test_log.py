"""The log of a running collector: what a night was like can be read from it, and how much each line matters."""

import re
import time
from pathlib import Path

import pytest

from collector.alarms.model import AlarmKey, Event, State, Transition
from collector.config.log import Level, Log
from collector.store.batch import HistoryRow
from collector.watch.alarm_log import LINES, AlarmLog
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch
from tests.watch.test_watch_disk import fill_disk, make_room
from tests.worlds.home import hot_pack, make_home


@pytest.mark.service
def test_a_service_managers_journal_gets_priorities_and_no_second_time(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """Connecting is information, a tray that is too hot a warning, its end information again, a journal that cannot be
    written an error; no line has a time of its own, and each step is said where --debug asks for it."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port})
    watch.log_file.touch()
    kept = watch.log_file.stat()
    watch.environ["JOURNAL_STREAM"] = f"{kept.st_dev}:{kept.st_ino}"
    watch.options = ("--debug",)
    watch.start()
    start_s = time.time() - 300
    mosquitto.publish("worms/juniper/top", hot_pack(start_s, 30.5))
    wait_until(lambda: "alarm raised" in watch.log, "the alarm")
    mosquitto.publish("worms/juniper/top", hot_pack(start_s + 60, 28.9))
    wait_until(lambda: "alarm ended" in watch.log, "its end")
    fill_disk(watch)
    mosquitto.publish("worms/juniper/top", hot_pack(start_s + 120, 28.8))
    wait_until(lambda: "journal cannot be written" in watch.log, "the trouble")
    make_room(watch)
    wait_until(lambda: "journal can be written again" in watch.log, "its end", 20)
    watch.stop()
    lines = watch.log.splitlines()
    assert [line for line in lines if not re.match(r"<[3467]>(?!\d{4}-)", line)] == []
    for wanted in (
        r"<6>broker .* connected",
        r"<4>alarm raised: bedding-hot at juniper/top, high priority",
        r"<6>alarm ended: bedding-hot at juniper/top, high priority",
        r"<3>journal cannot be written: ",
        r"<6>journal can be written again; nothing was lost",
        r"<7>committed: 1 messages, 2 readings",
    ):
        assert len([line for line in lines if re.match(wanted, line)]) >= 1, (wanted, lines)


@pytest.mark.service
def test_quiet_says_only_what_is_wrong(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In a file each line has its time, and its level; that all is as it should be is not said."""
    watch = Watch(make_home(tmp_path / "home"), {"MQTT__PORT": mosquitto.port})
    watch.options = ("--quiet",)
    watch.start_unheard()
    pack = hot_pack(time.time() - 10, 32.0)

    def raised() -> bool:
        mosquitto.publish("worms/juniper/top", pack)  # again and again, as nothing tells when it has subscribed
        return "alarm raised" in watch.log

    wait_until(raised, "the alarm", 20)
    watch.stop()
    nobody, alarm = watch.log.splitlines()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ warning: .*nobody.*", nobody)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ warning: alarm raised: bedding-hot at .*", alarm)


@pytest.mark.parametrize(
    ("event", "priority", "level", "says"),
    [
        (Event.RAISED, "high", Level.WARNING, "alarm raised: bedding-dry at juniper/top, high priority"),
        (Event.RAISED, "medium", Level.INFO, "alarm raised: bedding-dry at juniper/top, medium priority"),
        (Event.CLEARED, "high", Level.INFO, "alarm ended: bedding-dry at juniper/top, high priority"),
        (Event.ACKNOWLEDGED, "low", Level.DEBUG, "alarm acknowledged: bedding-dry at juniper/top, low priority"),
    ],
)
def test_each_change_of_an_alarm_is_a_line(event: Event, priority: str, level: Level, says: str) -> None:
    """Its name, place and priority; what needs somebody soon stands out."""
    lines: list[tuple[Level, str]] = []
    AlarmLog(Log(lambda *line: lines.append(line))).write([changed(event, priority)], 0)
    assert lines == [(level, says)]


def test_an_alarm_that_comes_and_goes_without_end_fills_no_log() -> None:
    """A few lines at once and one every five minutes after that, which says how many were left out; other series have
    lines of their own."""
    lines: list[tuple[Level, str]] = []
    log = AlarmLog(Log(lambda *line: lines.append(line)))
    log.write([changed(Event.RAISED, "high")] * 1_000, 0)
    assert len(lines) == LINES.at_once
    log.write([changed(Event.RAISED, "high", series=2)], 0)
    log.write([changed(Event.CLEARED, "high")], 300_000)
    assert [text for _, text in lines[LINES.at_once :]] == [
        "alarm raised: bedding-dry at juniper/top, high priority",
        "alarm ended: bedding-dry at juniper/top, high priority; 988 changes before it are left out here, "
        "see: traywarden alarms history",
    ]


def changed(event: Event, priority: str, series: int = 1) -> HistoryRow:
    """One change of an alarm."""
    change = Transition(
        key=AlarmKey("bedding-dry", series),
        event=event,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        t_ms=0,
        since_ms=0,
        raised_ms=0,
        value=55.0,
    )
    return HistoryRow(
        transition=change, place="juniper/top", measure="bedding_moisture", priority=priority, noticed_ms=0
    )
