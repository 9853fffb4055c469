"""What holds for every listing: people read the clock and the units of their lab, programs UTC and stored units."""

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from collector.cli.main import main
from collector.config.home import Home
from collector.delivery.port import Way
from collector.store.outbox import OutboxStore
from collector.store.watch_state import SignalTally, WatchState, write_state
from collector.uplink.queue import UplinkStore
from tests.cli.command_line import Commands
from tests.cli.test_commands import GIVEN, LISTINGS
from tests.worlds.brew_home import PUMP, take_all
from tests.worlds.by_hand import RULES, ByHand, rules_of
from tests.worlds.home import LAB, hot_pack
from tests.worlds.values import HOUR, MIN

METRIC, US = "Europe/Oslo", "America/Chicago"
CLOCKS_BACK = {METRIC: "2026-10-25 00:30", US: "2026-11-01 06:30"}
"""UTC: half past in the hour that comes twice, the first time."""
RISING = """\
  bedding-rising:
    kind: rate
    measure: bedding_temperature
    setpoint: 2 degC per h
    window: 2 h
    priority: low
    consequence: Fresh feed heats up.
    corrective_action: Lift the blanket.
    time_to_respond: 4 h
    basis: made up for a test
"""
OWN_RULES = RULES.replace("Above 30 degC", "Above {30 degC}") + RISING
ONE_MORE = {("ahead",): ("--for", "48 h"), ("rules", "replay"): ("--rules", "trial")}
TOLD = re.compile(r"\b\d{4}-\d\d-\d\d \d\d:\d\d(?: [+-]\d{4})?")
ISO = re.compile(r"\b\d{4}-\d\d-\d\dT[\d:.]+\S*")
OTHER_UNITS = {METRIC: r"°F|\bdegF|\bqt\b|\bgal\b|\blb\b|\boz\b", US: r"°C|\bdegC|\d L\b|\bmL\b|\d kg\b"}


@pytest.fixture(params=[METRIC, US])
def zone(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def commands(
    zone: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Commands:
    """A lab in which everything has happened: alarms that stand and have gone, brews, a diary, messages sent, strangers
    and junk, in the night in which the clocks go back, twenty minutes after all of it."""
    home = tmp_path / "home"
    (home / "rules").mkdir(parents=True)
    home.chmod(0o700)
    units = "us" if zone == US else "metric"
    lab_yaml = LAB.replace("topic: worms/juniper/top\n", "topic: worms/juniper/top\n    every: 10 min\n")
    lab_yaml = lab_yaml.replace("room:", "brewers: {kettle: }\nroom:").replace("people:", PUMP)
    lab_yaml = lab_yaml.replace("time_zone: UTC", f"time_zone: {zone}").replace("units: metric", f"units: {units}")
    (home / "lab.yaml").write_text(lab_yaml, encoding="utf-8")
    (home / "rules" / "site.yaml").write_text(OWN_RULES, encoding="utf-8")
    (tmp_path / "trial").mkdir()
    (tmp_path / "trial" / "site.yaml").write_text(
        (OWN_RULES).replace("setpoint: 30 degC", "setpoint: 31 degC"), encoding="utf-8"
    )
    first_ms = round(datetime.fromisoformat(f"{CLOCKS_BACK[zone]}+00:00").timestamp() * 1000)
    clock = [first_ms]
    monkeypatch.setattr(time, "time_ns", lambda: clock[0] * 1_000_000)
    monkeypatch.chdir(tmp_path)
    _happens(home, lab_yaml, first_ms, clock)
    return Commands(home, capsys)


def _happens(home: Path, lab_yaml: str, first_ms: int, clock: list[int]) -> None:
    lab = ByHand(home, rules_of(OWN_RULES), lab_yaml)
    for minute in range(-180, 81, 10):
        lab.now_ms = first_ms + minute * MIN
        celsius = 24.0 + 6.5 * min(1.0, max(0, minute + 90) / 90) if minute < 60 else 24.0
        lab.say("worms/juniper/top", hot_pack(lab.now_ms / 1000, celsius, 0.76 if minute < 70 else 0.5))
        lab.say("worms/pump", "on" if minute < 60 else "off")
        lab.commit()
    lab.say("worms/new", b"\xff\x00\x1b")
    lab.say("worms/room/air", "21,5")
    lab.commit()
    lab.close()
    clock[0] = first_ms
    at_home = ("--by", "class 4b", "--home", str(home))
    assert main(["brew", "start", "--at", "kettle", *at_home]) == 0
    assert main(["diary", "add", "watered", "--at", "juniper/top", "--amount", "0.5 L", *at_home]) == 0
    take_all(Home(home), first_ms)
    clock[0] = first_ms + 80 * MIN
    outbox = OutboxStore(home / "traywarden.db")
    message = outbox.take_next(clock[0])
    assert message is not None
    assert message.channel == Way.EMAIL
    outbox.mark_sending(message.id)
    outbox.mark_sent(message.id, first_ms + HOUR)
    outbox.close()
    uplink = UplinkStore(home / "traywarden.db")
    uplink.done(uplink.take(first_ms + HOUR, 10_000), [], first_ms + HOUR)
    uplink.close()
    beat = SignalTally(by="url", last_ms=first_ms, failures=0, error="")
    write_state(home / "traywarden.watch", WatchState(alive_ms=first_ms + HOUR, stopped=True, heartbeat=(beat,)))


def _texts(value: Any) -> Iterator[str]:
    """Every text in a value of JSON."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for one in value:
            yield from _texts(one)
    elif isinstance(value, str):
        yield value


def _moments(text: str) -> Iterator[datetime]:
    for found in ISO.findall(text):
        assert found.endswith("Z"), found
        yield datetime.fromisoformat(found)


def _on_the_clock(moment: datetime, zone: str) -> str:
    """Worked out without the program: a time with the offset is wanted only where the time alone could be two."""
    there = moment.astimezone(ZoneInfo(zone))
    plain = f"{there:%Y-%m-%d %H:%M}"
    again = (moment.timestamp() + hours * 3600 for hours in (-1, 1))
    if plain in {f"{datetime.fromtimestamp(one, ZoneInfo(zone)):%Y-%m-%d %H:%M}" for one in again}:
        return f"{plain} {there:%z}"
    return plain


def _walk() -> Iterator[tuple[str, ...]]:
    """Every listing, some of them with options that show more."""
    for path in LISTINGS:
        yield (*path, *GIVEN.get(path, ()))
        if path in ONE_MORE:
            yield (*path, *ONE_MORE[path])


@pytest.mark.slow
def test_people_read_their_own_clock_and_programs_utc(zone: str, commands: Commands) -> None:
    """Each time that people are shown is one of those that programs get, on the lab's clock; its zone is said once."""
    for path in _walk():
        given = json.loads(commands.run(*path, "--json").out)
        moments = [moment for text in _texts(given) for moment in _moments(text)]
        said = commands.run(*path).out
        assert ISO.findall(said) == [], path
        told = set(TOLD.findall(said))
        assert told <= {_on_the_clock(moment, zone) for moment in moments}, path
        assert said.count(zone) == 1 or (not told and zone not in said), path


@pytest.mark.slow
def test_people_read_their_own_units(zone: str, commands: Commands) -> None:
    """No quantity in units that this lab does not use."""
    for path in _walk():
        said = commands.run(*path).out
        assert re.findall(OTHER_UNITS[zone], said) == [], (path, said)


WITH_TIMES = {
    ("status",),
    ("probes", "list"),
    ("rules", "audit"),
    ("rules", "replay"),
    ("alarms", "list"),
    ("alarms", "history"),
    ("diary", "list"),
    ("brew", "show"),
    ("ahead",),
    ("uplink", "status"),
}


@pytest.mark.slow
def test_the_lab_of_these_tests_has_something_to_tell(zone: str, commands: Commands) -> None:
    """Every listing that has times at all shows some here, or the tests above would hold nothing."""
    found = {path for path in LISTINGS if TOLD.search(commands.run(*path, *GIVEN.get(path, ())).out)}
    assert found == WITH_TIMES


def test_both_half_past_of_that_night_are_told_apart(zone: str, commands: Commands) -> None:
    """An alarm that came in the hour before the clocks went back and went in the one after."""
    first, second = {METRIC: ("+0200", "+0100"), US: ("-0500", "-0600")}[zone]
    lines = commands.good("alarms", "history").splitlines()
    assert any("raised" in line and f":30 {first}" in line for line in lines)
    assert any("cleared" in line and f":30 {second}" in line for line in lines)


def test_a_rate_is_a_difference_in_every_listing(zone: str, commands: Commands) -> None:
    """What rose by 6.5 degC in an hour and a half rose by 4.4 °C or 7.8 °F per h at most, and by more than the setpoint
    of 2 °C or 3.6 °F per h."""
    shown, least, most = {METRIC: ("°C per h", 2.0, 4.4), US: ("°F per h", 3.6, 7.8)}[zone]
    for path in (("rules", "replay"), ("alarms", "history")):
        (line, *_) = [line for line in commands.good(*path).splitlines() if "bedding-rising" in line]
        value = float(re.search(rf"([\d.]+) {shown}", line)[1])  # type: ignore[index]
        assert least < value <= most


def test_the_order_of_series_does_not_hide_the_newest(zone: str, commands: Commands) -> None:
    """A probe was last heard in the second of two hours of the same name, whichever of its channels says so."""
    newest: Callable[[dict[str, Any]], str] = lambda row: max(one["time"] for one in row["newest"].values())  # noqa: E731
    row = commands.json("probes", "list")["probes"][0]
    assert row["last_heard"] == newest(row)
