"""The score of the whole chain on stories written by hand."""

from dataclasses import replace

import pytest

from sim_sensors import truth
from sim_sensors.pack import Fact
from tests.bench.playing import HOUR_MS, START_MS, Played, Poured, Told
from tests.bench.scoring import Score, episodes_of, score, together

T0 = START_MS


def iso(hours: float) -> str:
    return truth.iso(T0 + round(hours * HOUR_MS))


def fact(hours: float, name: str, place: str, phase: str, kind: str = "harm", **values: object) -> Fact:
    return Fact(T0 + round(hours * HOUR_MS), kind, name, place, phase, dict(values))


DRY = (
    fact(10, "bedding-dry", "juniper/top", "begin", know_by=iso(54)),
    fact(40, "bedding-dry", "juniper/top", "lasting", know_by=iso(36)),
    fact(50, "bedding-dry", "juniper/top", "end"),
    fact(200, "run", "", "now", kind="state"),
)
"""Begins at hour 10, is lasting from hour 40 on, and had to be known by hour 36."""


def told(hours: float, rule: str = "bedding-dry", place: str = "juniper/top", **more: object) -> Told:
    t_ms = T0 + round(hours * HOUR_MS)
    one = Told(t_ms, "teacher", rule, place, "juniper-top", "raised", "news", t_ms, False, "high", "URGENT")
    return replace(one, **more)  # type: ignore[arg-type]


def scored(*messages: Told, facts: tuple[Fact, ...] = DRY, days: float = 30.0) -> Score:
    return score(Played(list(messages), list(facts), [], len(messages), days))


@pytest.mark.parametrize(
    ("messages", "in_time", "late", "missed"),
    [
        ((), 0, 0, 1),
        ((told(12),), 1, 0, 0),
        ((told(36),), 1, 0, 0),
        ((told(36.1),), 0, 1, 0),
        ((told(-60, "bedding-drying-fast"),), 1, 0, 0),
        ((told(-63),), 0, 0, 1),
        ((told(12, "bedding-hot"),), 0, 0, 1),
        ((told(12, place="maple/top"),), 0, 0, 1),
        ((told(12, why="reminder"),), 0, 0, 1),
        ((told(40), told(20)), 1, 0, 0),
        ((told(2), told(5, event="cleared")), 0, 0, 1),
        ((told(2), told(12, event="cleared")), 1, 0, 0),
        ((told(12, why="digest"),), 1, 0, 0),
    ],
    ids=[
        "silence",
        "early",
        "just",
        "late",
        "a sign of it",
        "too early",
        "another",
        "elsewhere",
        "reminder",
        "first",
        "over before",
        "over after",
        "digest",
    ],
)
def test_a_harm_is_told_in_time_late_or_not_at_all(
    messages: tuple[Told, ...], in_time: int, late: int, missed: int
) -> None:
    """By its own alarm or one that leads to it, at its place, no later than somebody had to know."""
    found = scored(*messages)
    assert (found.harms, found.in_time, found.late, found.missed) == (1, in_time, late, missed)


def test_a_harm_that_passes_counts_neither_way() -> None:
    """Not lasting: not telling of it is no miss, and telling of it is not needless."""
    facts = (DRY[0], DRY[2], DRY[3])
    assert scored(facts=facts).harms == 0
    assert scored(told(12), facts=facts).needless == ()


def test_what_has_to_do_with_nothing_is_needless() -> None:
    """Another place, another time, another kind; counted by the month."""
    found = scored(told(12), told(150), told(13, place="maple/top"), told(14, "bedding-hot"), days=60)
    assert [one.t_ms for one in found.needless] == [T0 + h * HOUR_MS for h in (150, 13, 14)]
    assert found.needless_per_month == 1.5


def test_one_message_with_something_needed_is_needed() -> None:
    """Several alarms in one message are one message."""
    assert scored(told(12), told(12, "bedding-hot")).needless == ()
    assert scored(told(150, why="digest")).needless == ()


def test_what_goes_wrong_with_a_probe_may_be_told() -> None:
    """A fault of any kind at the place, its bin, the room or the broker; the end of what it did for a day."""
    facts = (
        fact(10, "unplugged", "juniper/top", "begin", kind="fault", probe="juniper-top"),
        fact(20, "unplugged", "juniper/top", "end", kind="fault", probe="juniper-top"),
        DRY[3],
    )
    assert scored(told(12, "probe-silent"), told(40, "probe-silent"), facts=facts).needless == ()
    assert len(scored(told(50, "probe-silent"), facts=facts).needless) == 1


def test_two_probes_at_one_place_are_two_faults() -> None:
    """The end of one is not the end of the other."""
    facts = [
        fact(1, "stuck", "juniper/top", "begin", kind="fault", probe="a"),
        fact(2, "stuck", "juniper/top", "begin", kind="fault", probe="b"),
        fact(3, "stuck", "juniper/top", "end", kind="fault", probe="a"),
        DRY[3],
    ]
    assert [(one.begin_ms - T0, one.end_ms - T0) for one in episodes_of(facts, "fault")] == [
        (HOUR_MS, 3 * HOUR_MS),
        (2 * HOUR_MS, 200 * HOUR_MS),
    ]


def test_scores_add_up() -> None:
    """Harms, needless messages, days and amounts of several runs."""
    poured = (Poured("juniper/top", T0, 0.6, 0.5), Poured("juniper/top", T0, 0.5, 0.5))
    one = replace(scored(told(12), days=10), poured=poured)
    both = together([one, replace(scored(told(150), days=20), poured=())])
    assert (both.harms, both.in_time, both.missed) == (2, 1, 1)
    assert both.days == 30
    assert both.needless_per_month == 1
    assert both.median_lead_h == 24.0
    assert both.water_off_pct == pytest.approx(10.0)
    assert scored().median_lead_h is None
    assert scored().water_off_pct is None


def test_what_nothing_foretold_is_told_at_once_or_late() -> None:
    """Where somebody would have had to know before it began, half an hour after its beginning is in time."""
    facts = (
        fact(10, "sump-full", "juniper", "begin", know_by=iso(6)),
        fact(10, "sump-full", "juniper", "lasting", know_by=iso(6)),
        DRY[3],
    )
    assert scored(told(10.5, "sump-filling", "juniper"), facts=facts).in_time == 1
    assert scored(told(10.6, "sump-filling", "juniper"), facts=facts).late == 1
