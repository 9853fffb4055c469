"""PROBES.md: what it tells people to type, wire and expect is so."""

import json
import os
import re
import shlex
import signal
from pathlib import Path

import pytest

from collector.config.lab_file import read_lab
from tests.cli.command_line import Commands
from tests.probe.board import BASE, PROGRAM, Board, config
from tests.services.mosquitto import Mosquitto
from tests.services.waiting import wait_until
from tests.services.watching import Watch

GUIDE = (PROGRAM / "PROBES.md").read_text(encoding="utf-8")
EXAMPLE = json.loads((PROGRAM / "config.example.json").read_text(encoding="utf-8"))


@pytest.fixture
def commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Commands:
    """On a home as `traywarden init` leaves it."""
    commands = Commands(tmp_path / "home", capsys)
    commands.good("init")
    return commands


def command_shown(start: str) -> list[str]:
    """The words of the one command in the guide that starts so, over its continued lines."""
    (found,) = commands_shown(start)
    return found


def commands_shown(start: str) -> list[list[str]]:
    found = re.findall(rf"(?m)^ +traywarden ({start}(?:[^\n]*\\\n)*[^\n]*)", GUIDE)
    return [shlex.split(text.replace("\\\n", " ")) for text in found]


def test_every_place_shown_is_taken(commands: Commands) -> None:
    """A tray's, a brewer's and a room's board, one after the other on the lab of `traywarden init`."""
    shown = commands_shown("probes assign")
    assert len(shown) == 3
    for words in shown:
        commands.good(*words)
    lab = read_lab((commands.home / "lab.yaml").read_text(encoding="utf-8"))
    assert [probe.id for probe in lab.probes][-3:] == ["maple-bottom", "kettle-board", "room-board"]


@pytest.mark.slow
@pytest.mark.service
def test_the_checklist_is_walked_with_a_simulated_probe(
    tmp_path: Path, commands: Commands, mosquitto: Mosquitto
) -> None:
    """Unclaimed at first, then assigned and calibrated by the commands shown, and heard with flag 1 on each channel."""
    watch = Watch(commands.home, {"MQTT__PORT": mosquitto.port}).start()
    settings = config(mosquitto.port, topic="worms/maple/bottom", sensors=EXAMPLE["sensors"])
    with Board(tmp_path / "flash", settings, analog={"34": 1_435_000, "35": 1_985_000}) as board:
        said = board.go(30)
        assert f"This probe sends to worms/maple/bottom as {BASE}" in said
        assert any(line.startswith('measured: {"n":"temperature"') for line in said)
        wait_until(lambda: BASE in commands.good("probes", "list"), "the probe among the unclaimed", 20)
        commands.good(*command_shown("probes assign maple-bottom"))
        commands.good(*command_shown("probes calibrate"))
        os.kill(watch.pid, signal.SIGHUP)
        wait_until(lambda: "lab.yaml changed: taken up" in watch.log, "the new lab.yaml in force", 20)
        board.go(330)
    wait_until(lambda: commands.json("status")["readings"] >= 15, "five reports of three readings", 20)
    flags = {probe["id"]: probe["flag"] for probe in commands.json("status")["probes"]}
    assert {name: flag for name, flag in flags.items() if name.startswith("maple-bottom")} == {"maple-bottom": 1}
    rows = commands.good("export", "--format", "csv").splitlines()
    moisture = [float(row.split(",")[6]) for row in rows if "maple-bottom,bedding_moisture" in row]
    count = 1_435_000 * 65535 // 3_300_000 >> 4
    assert moisture == [pytest.approx(62 + (1950 - count) * (84 - 62) / (1950 - 1620))] * 5
    watch.stop()


def test_points_given_with_a_place_hold_from_their_day(commands: Commands) -> None:
    """`probes assign` takes a raw channel with its points at once, and lab.yaml then says so."""
    commands.good(*command_shown("probes assign maple-bottom"))
    lab = read_lab((commands.home / "lab.yaml").read_text(encoding="utf-8"))
    (moisture,) = [
        channel
        for probe in lab.probes
        if probe.id == "maple-bottom"
        for channel in probe.channels
        if channel.key == "moisture"
    ]
    (calibration,) = moisture.calibrations
    assert [(point.raw, point.value) for point in calibration.points] == [(1950.0, 62.0), (1620.0, 84.0)]
    assert calibration.from_ms == 1_772_409_600_000


def test_both_ways_to_give_a_place_say_the_same() -> None:
    """The step that makes an account too takes the options of `probes assign`; its topic is the place's own."""
    (found,) = re.findall(r"(?m)^ +sudo deploy/add-probe.sh ((?:[^\n]*\\\n)*[^\n]*)", GUIDE)
    words = command_shown("probes assign maple-bottom")[2:]
    at = words.index("--topic")
    assert words[at + 1] == f"worms/{words[words.index('--at') + 1]}"
    assert shlex.split(found.replace("\\\n", " ")) == words[:at] + words[at + 2 :]


@pytest.mark.parametrize(
    ("channel", "said"),
    [
        ("m=bedding_moisture,unit=count,point=1950:62 %", "a calibration is from=DATE and points"),
        ("m=bedding_moisture,unit=count,from=2026-03-02", "a calibration is from=DATE and points"),
        ("m=bedding_moistur,unit=count,from=2026-03-02,point=1:2 %", "a calibration is from=DATE and points"),
        ("m=bedding_moisture,unit=count,from=2026-03-02,point=wet:84 %", "--point wet:84 %: write RAW:VALUE"),
        ("m=bedding_moisture,unit=count,from=monday,point=1:62 %,point=2:84 %", "monday"),
        ("m=bedding_moisture,unit=count,from=2026-03-02,point=1:62 degC,point=2:84 %", "degC"),
        ("m=bedding_moisture,unit=count,from=2026-03-02,point=1:62 %", "two"),
        ("m=bedding_moisture,colour=red", "neither unit=... nor model=..., from=... or point=..."),
    ],
)
def test_points_that_cannot_be_used_are_one_line(commands: Commands, channel: str, said: str) -> None:
    """What is wrong is said, and lab.yaml stays as it was."""
    before = (commands.home / "lab.yaml").read_bytes()
    line = commands.wrong(*shlex.split("probes assign new --at maple/top --topic worms/m --channel"), channel)
    assert said in line
    assert (commands.home / "lab.yaml").read_bytes() == before


def test_every_setting_and_kind_stands_in_the_tables() -> None:
    """What the program takes and what the guide explains are the same."""
    program = (PROGRAM / "settings.py").read_text(encoding="utf-8")
    known = set(re.findall(r'(?m)^ +"(\w+)": \(', program)) | set(re.findall(r'"(\w+)": \(_', program))
    section = GUIDE.split("## config.json\n")[1].split("\n## ")[0]
    explained = set(re.findall(r"`(?:\w+\.)?(\w+)`", section))
    assert known - explained == {"wifi", "broker", "keep"}, "these stand there with what is below them"
    kinds = set(re.findall(r'(?m)^    "(\w+)": \{', program))
    assert kinds == set(re.findall(r"(?m)^\| `(\w+)` \| `", section))


def test_pins_of_the_example_are_those_of_the_wiring_table() -> None:
    """Who wires by the table can use the example as it is."""
    table = GUIDE.split("## Wiring")[1].split("## Power")[0]
    for sensor in EXAMPLE["sensors"]:
        assert f"GPIO {sensor['pin']}" in table


def test_lines_of_the_console_stand_in_the_program() -> None:
    """Each line in the table of console lines begins as the program says it, or as the TLS library does."""
    said = " ".join(path.read_text(encoding="utf-8") for path in PROGRAM.glob("*.py"))
    pieces = (
        "the password is not taken",
        "no such network in reach",
        "no answer from the broker at",
        "no DS18B20 answers",
    )
    for piece in (*pieces, "user name or password is wrong", "check sum wrong", "give each a 'rom'", "no more room"):
        assert piece in said
        assert piece in GUIDE
