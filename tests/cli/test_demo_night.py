"""The demo's night on the lab's own time: who is told what, message by message."""

from pathlib import Path

import pytest

from collector.cli.demo_people import ANSWERS
from sim_sensors.scenarios import load
from tests.bench.playing import play

pytestmark = pytest.mark.slow
NIGHT = [
    ("teacher", "URGENT: Juniper, top tray: bedding moisture too low"),
    ("teacher", "BACK TO NORMAL: Juniper, top tray: bedding moisture"),
    ("teacher", "URGENT: Kettle: air pump is off"),
    ("maintainer", "URGENT, NOBODY IS ON IT: Kettle: air pump is off"),
    ("teacher", "BACK TO NORMAL: Kettle: air pump"),
    ("maintainer", "BACK TO NORMAL: Kettle: air pump"),
    ("teacher", "URGENT: Maple, middle tray: bedding temperature too high"),
    ("caretaker", "URGENT, NOBODY IS ON IT: Maple, middle tray: bedding temperature too high"),
    ("teacher", "STILL URGENT: Maple, middle tray: bedding temperature too high"),
    ("teacher", "SOON: Maple, bottom tray: no usable reading from probe maple-bottom"),
]
"""With the digest and the weekly report at seven these are twelve."""


def without_value(subject: str) -> str:
    """The subject of a call ends with what was measured."""
    return subject.rsplit(", ", 1)[0] if subject.endswith((" %", " °C")) else subject


def test_one_trouble_is_one_message_each_way(tmp_path: Path) -> None:
    """A pump that stands for twenty minutes says nothing of the oxygen, and a hot tray nothing of being warm;
    yet each kind of message is seen: a call, one passed on, a reminder, what waits for the morning, an all clear."""
    played = play(load("school-demo"), 1, tmp_path / "home", answers=ANSWERS)
    messages = dict.fromkeys((one.t_ms, one.role, one.subject) for one in played.told if one.why != "digest")
    assert [(role, without_value(subject)) for _, role, subject in messages] == NIGHT
