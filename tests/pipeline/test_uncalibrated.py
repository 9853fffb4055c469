"""A channel that sends a raw number before anybody has calibrated it: kept, and judged only from then on."""

import json
from pathlib import Path

import pytest

from collector.config.lab_edit import set_calibration
from collector.config.lab_file import read_lab
from collector.domain.readings import Flag, Why
from collector.pipeline.replay import replay
from collector.store.reader import Reader
from tests.worlds.by_hand import RULES, START, ByHand, rules_of
from tests.worlds.texts import TEMPERATURE, lab_text, probe_text

RAW = "moisture: {name: moisture, measure: bedding_moisture, unit: count, model: capacitive}"
TEXT = lab_text(probe_text("juniper/top", TEMPERATURE, RAW))
UNCALIBRATED = int(Why.UNCALIBRATED)


@pytest.fixture
def lab(tmp_path: Path) -> ByHand:
    return ByHand(tmp_path / "home", rules_of(RULES), TEXT)


def say(lab: ByHand, minute: float, count: float | None, celsius: float = 21.5) -> None:
    """The probe's message of that minute, judged and stored."""
    lab.now_ms = START + round(minute * 60_000)
    records = [{"bt": lab.now_ms / 1000, "n": "temperature", "u": "Cel", "v": celsius}]
    records += [] if count is None else [{"n": "moisture", "v": count}]
    lab.say("worms/juniper/top", json.dumps(records))
    lab.commit()


def calibrate(lab: ByHand) -> None:
    """Points that make 1950 counts 40 %: far too dry."""
    points = [(1950.0, "40 %"), (1620.0, "84 %")]
    lab.lab = read_lab(set_calibration(TEXT, "juniper-top", "moisture", "2026-01-01", points))
    lab.restart()


def test_a_raw_number_is_kept_without_a_value_and_not_evaluated(lab: ByHand) -> None:
    """Flag 2 and a reason of its own; the raw number stays, also one at the end of the scale. The temperature of the
    same probe is judged as ever."""
    say(lab, 0, 1800.0)
    say(lab, 1, 0.0)
    assert lab.rows("moisture") == [
        (0.0, None, Flag.NOT_EVALUATED, UNCALIBRATED),
        (1.0, None, Flag.NOT_EVALUATED, UNCALIBRATED),
    ]
    query = "SELECT raw FROM readings JOIN series s ON s.id = series WHERE channel = 'moisture' ORDER BY t"
    assert lab.ask(query) == [(1800.0,), (0.0,)]
    assert [row[1:3] for row in lab.rows()] == [(21.5, Flag.PASS), (21.5, Flag.PASS)]


def test_one_that_comes_late_is_kept_so_too(lab: ByHand) -> None:
    """After a newer one, marked as late."""
    say(lab, 5, 1800.0)
    lab.say("worms/juniper/top", json.dumps([{"bt": START / 1000 + 60, "n": "moisture", "v": 1700.0}]))
    lab.commit()
    late, _ = lab.rows("moisture")
    assert late == (1.0, None, Flag.NOT_EVALUATED, UNCALIBRATED | int(Why.LATE))


def test_no_rule_of_its_measure_judges_it(lab: ByHand) -> None:
    """Neither for what it reads nor for falling silent; nor after a restart. The temperature beside it is judged."""
    for minute in range(10):
        say(lab, minute, 4000.0)
    lab.restart()
    for minute in range(10, 40):
        say(lab, minute, None, 21.5 if minute < 30 else 33.0)
    assert {row[0] for row in lab.history()} == {"bedding-hot"}


def test_once_calibrated_new_readings_are_judged(lab: ByHand) -> None:
    """From the first one on, which is the first of its series for the checks; those of before stay as they are."""
    for minute in range(5):
        say(lab, minute, 1950.0)
    calibrate(lab)
    for minute in range(5, 12):
        say(lab, minute, 1950.0)
    rows = lab.rows("moisture")
    assert [row[1:] for row in rows[:5]] == [(None, Flag.NOT_EVALUATED, UNCALIBRATED)] * 5
    assert [row[1:3] for row in rows[5:]] == [(pytest.approx(40.0), Flag.PASS)] * 7
    assert int(str(rows[5][3])) & Why.GAP
    assert lab.history() == [("bedding-dry", "juniper/top", "raised", 8.0)]


def test_what_stands_ends_when_the_points_are_taken_away(lab: ByHand) -> None:
    """Nobody can know any more: the alarm is closed, and said to be."""
    calibrate(lab)
    for minute in range(6):
        say(lab, minute, 1950.0)
    lab.lab = read_lab(TEXT)
    lab.restart()
    say(lab, 7, 1950.0)
    assert [row[:3] for row in lab.history()] == [
        ("bedding-dry", "juniper/top", "raised"),
        ("bedding-dry", "juniper/top", "rule-removed"),
    ]


def test_replay_judges_it_as_little(lab: ByHand) -> None:
    """With the lab as it is; with points all that is stored raw is judged by them, as after any other calibration."""
    for minute in range(10):
        say(lab, minute, 1950.0)

    def replayed() -> list[tuple[str, str]]:
        with Reader(lab.database) as reader:
            done = replay(reader, lab.lab, lab.rules, START, lab.now_ms + 1)
        return [(one.key.rule, str(one.event)) for one in done.transitions]

    assert replayed() == []
    calibrate(lab)
    assert replayed() == [("bedding-dry", "raised")]
