"""Replay: the same alarms from what is stored as were raised live, whatever happened in between."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from collector.alarms.model import Event
from collector.pipeline.replay import replay
from collector.store.reader import Reader
from tests.pipeline.test_pipeline_restart import Happening, happenings, play
from tests.worlds.by_hand import DRY_LATER, RULES, START, ByHand, rules_of


def _live(lab: ByHand) -> list[tuple[object, ...]]:
    query = "SELECT rule, series, event, t_ms, since_ms, raised_ms, value FROM alarm_history"
    return sorted(row for row in lab.ask(query) if row[2] in (Event.RAISED, Event.CLEARED))


def _replayed(lab: ByHand, rules: str = RULES) -> list[tuple[object, ...]]:
    with Reader(lab.database) as reader:
        done = replay(reader, lab.lab, rules_of(rules), START - 1_000_000, lab.now_ms + 3_600_001)
    found = (
        (one.key.rule, one.key.series, str(one.event), one.t_ms, one.since_ms, one.raised_ms, one.value)
        for one in done.transitions
        if one.event in (Event.RAISED, Event.CLEARED)
    )
    return sorted(found)


_AHEAD = [("pack", 0, 0), ("pack", 400_000, 0), ("pack", 0, -200_000), ("commit", 0, 0)]
"""A clock that is 200 s ahead, and then the link goes and comes."""
_AT_ONCE = [("commit", 0, 0), ("tick", 700_000, 0), ("commit", 0, 0), ("air", 60_000, 0)]
"""The link goes and comes in one moment, beside probes that were never heard."""


def _lived(found: list[tuple[str, int, int]]) -> list[Happening]:
    return [Happening(what, gap_ms, lag_ms, 21.5, 0.76) for what, gap_ms, lag_ms in found]


@example(_lived(_AHEAD), {3}, False)
@example(_lived(_AHEAD), {3}, True)
@example(_lived(_AT_ONCE), {0, 2}, False)
@given(happenings, st.sets(st.integers(0, 44), max_size=12), st.booleans())
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_replay_gives_the_alarms_that_were_raised_live(found: list[Happening], breaks: set[int], restart: bool) -> None:
    """Random readings, late, doubled, coded and without a time, with timers, restarts and lost links: the same
    annunciations and returns, to the millisecond, from the journal alone."""
    with tempfile.TemporaryDirectory() as folder:
        lab = ByHand(Path(folder) / "live")
        play(lab, found, breaks, restart=restart)
        assert _replayed(lab) == _live(lab)


def test_another_rule_set_is_judged_on_the_same_readings(tmp_path: Path) -> None:
    """A tray at 55 % for ten minutes: told after 3 minutes by the rules in force, after 8 by the set that is tried."""
    lab = ByHand(tmp_path / "live")
    lab.pipeline.link_changed(up=True, now_ms=lab.now_ms, text="up")
    for minute in range(15):
        lab.now_ms = START + minute * 60_000
        lab.tray(minute, 21.5, 0.55 if 2 <= minute < 12 else 0.76)
        lab.commit()
    lab.close()
    told = {name: [row[3] for row in _replayed(lab, text) if row[2] == Event.RAISED] for name, text in _SETS.items()}
    assert told == {"in force": [START + 5 * 60_000], "tried": [START + 10 * 60_000]}


_SETS = {
    "in force": "alarms:\n" + DRY_LATER,
    "tried": "alarms:\n" + DRY_LATER.replace("on_delay: 3 min", "on_delay: 8 min"),
}
