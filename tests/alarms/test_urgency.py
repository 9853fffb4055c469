"""Every alarm that ships has its priority from rules/URGENCY.md: what is at stake, and how long there is."""

import re
from typing import NamedTuple

import pytest

from collector.alarms.model import Priority, Rule
from collector.alarms.urgency import gives_way
from collector.domain.units import parse_duration_ms
from tests.alarms.shipped_sets import FOLDER, RULES, H

TEXT = (FOLDER / "URGENCY.md").read_text(encoding="utf-8")
COLUMNS_H = {"within 1 h": 1, "within 8 h": 8, "within 1 d": 24, "later": 10_000}
FIRST_WORDS = {
    *("Water", "Restart", "Open", "Stop", "Empty", "Move", "End", "Squeeze", "Feel", "Halve", "See", "Before"),
    *("Close", "Shade", "Push", "Charge", "Check", "Run", "Find", "Read", "Adults"),
}
"""Words that begin an act: 'Before you leave, spray ...' on the last school day, 'Adults move the bin'."""


class Reasoned(NamedTuple):
    """One row of the table."""

    at_stake: str
    respond_ms: int
    priority: str
    at_night: str
    why: str


def rows_of(head: str) -> list[list[str]]:
    """The cells of the table whose head line begins so, without head and ruler."""
    table = TEXT[TEXT.index(head) :].split("\n\n")[0].splitlines()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table[2:]]


GRID = {row[0]: dict(zip(COLUMNS_H, row[1:], strict=True)) for row in rows_of("| at stake | within 1 h")}
REASONED = {
    row[0].strip("`"): Reasoned(row[1], parse_duration_ms(row[2]), row[3], row[4], row[5])
    for row in rows_of("| alarm | at stake")
}


@pytest.fixture(params=list(RULES.values()), ids=list(RULES))
def alarm(request: pytest.FixtureRequest) -> Rule:
    """Each shipped alarm in turn."""
    assert isinstance(request.param, Rule)
    return request.param


def test_the_table_has_the_alarms_that_ship() -> None:
    """All of them and no others."""
    assert REASONED.keys() == RULES.keys()


def test_priority_follows_from_the_grid(alarm: Rule) -> None:
    """What is at stake and the time to respond give the priority; nothing else does."""
    row = REASONED[alarm.name]
    assert row.respond_ms == alarm.time_to_respond_ms
    column = next(name for name, hours in COLUMNS_H.items() if alarm.time_to_respond_ms <= hours * H)
    assert GRID[row.at_stake][column] == row.priority == alarm.priority
    assert row.why


def test_only_what_cannot_wait_rings_at_night(alarm: Rule) -> None:
    """High always; medium where a night is longer than there is time, unless things only get worse."""
    row = REASONED[alarm.name]
    short = alarm.priority is Priority.MEDIUM and alarm.time_to_respond_ms <= 8 * H
    assert alarm.waits_for_morning is (row.at_stake == "worse" and short)
    rings = alarm.priority is Priority.HIGH or (short and not alarm.waits_for_morning)
    assert row.at_night == ("rings" if rings else "waits")


def test_the_first_sentence_is_the_act(alarm: Rule) -> None:
    """A phone shows it and no more: what to do, neither what to think of nor what to be careful about."""
    first = re.split(r"(?<=[.!?]) ", alarm.corrective_action.removeprefix("For the maintainer: "))[0]
    assert first.split()[0].capitalize() in FIRST_WORDS, first


def test_what_rings_at_night_has_a_way_out(alarm: Rule) -> None:
    """Fifteen minutes at 2:20 cannot be met from home: it says what is at stake and what else can be done."""
    if REASONED[alarm.name].at_night == "rings":
        assert "Cannot come?" in " ".join(alarm.corrective_action.split())
        if alarm.name.startswith("tea-"):
            assert "no food grows" in " ".join(alarm.corrective_action.split())


def test_who_gives_way_is_spoken_for(alarm: Rule) -> None:
    """Each name is an alarm that ships, no less urgent, and there is no way round back to itself."""
    for name in alarm.gives_way_to:
        assert gives_way(alarm, RULES[name]), name
    assert bool(alarm.gives_way_to) is bool(alarm.gives_way_for_ms)
    reached, ahead = set(), list(alarm.gives_way_to)
    while ahead:
        name = ahead.pop()
        if name not in reached:
            reached.add(name)
            ahead += RULES[name].gives_way_to
    assert alarm.name not in reached


def test_air_off_speaks_for_the_oxygen() -> None:
    """Nobody is told to open a valve while the pump is known to stand, and for a quarter of an hour after."""
    for name in ("tea-oxygen-low", "tea-oxygen-share-low"):
        assert "tea-air-stopped" in RULES[name].gives_way_to
        assert RULES[name].gives_way_for_ms == H / 4
