"""Rate, suspect, deviation, discrepancy: what each works out from readings, and when it cannot tell."""

import numpy as np
import pytest

from collector.alarms.chunk import Readings
from collector.alarms.engine import Engine
from collector.alarms.kinds.reference import KEEP_MS
from collector.alarms.model import Band, Kind, Newest, Rule
from collector.alarms.start import Kept, Running, Site
from collector.domain.diary import DiaryKind, Feel
from collector.domain.lab import Series
from tests.alarms.bench_lab import BROKER, MIN, NAN, UP, rule
from tests.alarms.world import DEVIATION, PROBES, RATE, SQUEEZE, SUSPECT, Row, World
from tests.alarms.world_lab import AIR, JT2_TEMPERATURE, JT_MOISTURE, JT_TEMPERATURE, MT_TEMPERATURE, SERIES

SQUEEZED = rule(SQUEEZE, setpoint=1.0)


def minutes(values: list[float], flag: int = 1, start: int = 0, step: int = 1) -> list[Row]:
    return [((start + step * n) * MIN, value, flag) for n, value in enumerate(values)]


def briefly(world: World, name: str) -> list[tuple[str, float, float | None]]:
    """(event, minute, value) of one alarm at Juniper's top tray."""
    return [
        (one.event.value, one.t_ms / MIN, None if one.value is None else round(one.value, 3))
        for one in world.told
        if one.key.rule == name and one.key.series in (JT_TEMPERATURE, JT_MOISTURE)
    ]


# ---- rate --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chunk", [1, 7, 100])
def test_a_rate_is_the_change_over_the_window(chunk: int) -> None:
    """0.2 degrees a minute is 12 an hour: told once 8 of the 10 minutes are covered; flat again, it clears."""
    world = World((RATE,))
    rows = minutes([20 + 0.2 * n for n in range(20)] + [23.8] * 20)
    for start in range(0, len(rows), chunk):
        world.read({JT_TEMPERATURE: rows[start : start + chunk]})
    (raised, cleared) = briefly(world, "rising")
    assert raised == ("raised", 8, 12.0)
    assert cleared[:2] == ("cleared", 25), "23.0 ten minutes before, 23.8 now: 4.8 an hour, below 6 - 1"


def test_a_falling_rate_has_a_setpoint_below_zero() -> None:
    """-6 an hour is passed by falling 0.2 a minute, not by rising."""
    for sign, told in ((1, 0), (-1, 1)):
        world = World((rule(RATE, setpoint=-6.0),))
        world.read({JT_TEMPERATURE: minutes([20 + sign * 0.2 * n for n in range(12)])})
        assert len(briefly(world, "rising")) == told


def test_a_rate_over_a_gap_is_not_told() -> None:
    """Six minutes without a reading is a gap (five intervals): nothing until the window lies behind it."""
    world = World((RATE,))
    rows = minutes([20 + 0.2 * n for n in range(8)]) + minutes([23 + 0.2 * n for n in range(9)], start=14)
    world.read({JT_TEMPERATURE: rows})
    assert briefly(world, "rising") == [("raised", 22, 12.0)]


def test_doubtful_readings_may_end_a_rate_and_never_begin_one() -> None:
    """A doubtful reading is held against clean ones only, may raise and may not clear."""
    rising = minutes([20 + 0.2 * n for n in range(8)])
    world = World((RATE,))
    world.read({JT_TEMPERATURE: [*rising, (8 * MIN, 23.0, 3)]})
    assert briefly(world, "rising") == [("raised", 8, 22.5)]
    world.read({JT_TEMPERATURE: minutes([20.0, 20.0, 20.0], flag=3, start=9)})
    assert len(briefly(world, "rising")) == 1
    world = World((RATE,))
    world.read({JT_TEMPERATURE: [(row[0], row[1], 3) for row in minutes([20 + 0.2 * n for n in range(30)])]})
    assert briefly(world, "rising") == []


# ---- suspect -----------------------------------------------------------------------------------------------------


def test_the_share_of_doubtful_failed_and_missing_readings() -> None:
    """Three of nine, suspect, failed and missing, are more than 30 %; the value is told in %."""
    world = World((SUSPECT,))
    flags = [1, 2, 1, 1, 1, 1, 3, 4, 9, 1]
    world.read({JT_TEMPERATURE: [(n * MIN, NAN if flag == 9 else 20.0, flag) for n, flag in enumerate(flags)]})
    assert briefly(world, "doubtful") == [("raised", 8, 33.333)]
    world.read({JT_TEMPERATURE: minutes([20.0] * 10, start=10)})
    assert briefly(world, "doubtful")[1:] == [("cleared", 17, 10.0)]


def test_a_share_of_few_readings_is_not_told() -> None:
    """A probe that begins with three failed readings is not told until there are four."""
    world = World((SUSPECT,))
    world.read({JT_TEMPERATURE: minutes([20.0] * 3, flag=4)})
    assert briefly(world, "doubtful") == []
    world.say(JT_TEMPERATURE, 3 * MIN, 20.0)
    assert briefly(world, "doubtful") == [("raised", 3, 75.0)]


# ---- deviation ---------------------------------------------------------------------------------------------------


def apart(world: World, bed: float, air: float, at: int, lag: int = 3) -> None:
    """The room says `air` and, `lag` minutes later, the bed says `bed`."""
    world.say(AIR, (at - lag) * MIN, air)
    world.say(JT_TEMPERATURE, at * MIN, bed)


def test_what_others_are_held_against_is_not_held_against_itself() -> None:
    """Every other bed against Juniper's top one."""
    world = World((rule(DEVIATION, against="bedding_temperature at juniper/top"),))
    held = {key.series for key in world.engine.states()}
    assert JT_TEMPERATURE not in held
    assert {JT2_TEMPERATURE, MT_TEMPERATURE} <= held


@pytest.mark.parametrize(
    ("setpoint", "bed", "told"), [(5.0, 26.0, 1), (5.0, 14.0, 0), (-5.0, 14.0, 1), (-5.0, 26.0, 0)]
)
def test_a_deviation_has_a_direction(setpoint: float, bed: float, told: int) -> None:
    """'+5 degC' is too far above the room, '-5 degC' too far below."""
    world = World((rule(DEVIATION, setpoint=setpoint),))
    apart(world, bed, 20.0, 10)
    assert [value for _, _, value in briefly(world, "apart")] == [bed - 20.0] * told


@pytest.mark.parametrize(("lag", "told"), [(1, 0), (2, 1), (7, 1), (8, 0)])
def test_what_it_is_held_against_is_neither_too_new_nor_too_old(lag: int, told: int) -> None:
    """At least two reporting intervals old, and not older than that by more than the gap limit of five minutes."""
    world = World((DEVIATION,))
    apart(world, 26.0, 20.0, 20, lag)
    assert len(briefly(world, "apart")) == told


def test_only_clean_readings_are_held_against() -> None:
    """A doubtful room says nothing about the bed."""
    world = World((DEVIATION,))
    world.say(AIR, 7 * MIN, 20.0, flag=3)
    world.say(JT_TEMPERATURE, 10 * MIN, 26.0)
    assert briefly(world, "apart") == []


def test_a_reading_that_comes_after_it_would_have_been_compared_is_unseen() -> None:
    """The room's reading of 7 min comes when the bed has been judged up to 10: kept, marked, never compared."""
    world = World((DEVIATION,))
    world.say(JT_TEMPERATURE, 10 * MIN, 26.0)
    world.say(AIR, 7 * MIN, 20.0)
    world.say(JT_TEMPERATURE, 11 * MIN, 26.0)
    assert world.rows[AIR] == [(7 * MIN, 20.0, 1, True)]
    assert world.told == world.replay([]) == []
    world.say(AIR, 10 * MIN, 20.0)
    world.say(JT_TEMPERATURE, 12 * MIN, 26.0)
    assert [row[3] for row in world.rows[AIR]] == [True, False]
    assert len(briefly(world, "apart")) == 1


def test_a_restart_knows_what_others_are_held_against() -> None:
    """The room spoke before it, the bed after: compared, with what was unseen left out still."""
    world = World((DEVIATION,))
    world.say(JT_TEMPERATURE, 12 * MIN, 21.0)
    world.say(AIR, 9 * MIN, 10.0)
    world.say(AIR, 11 * MIN, 20.0)
    world.restart()
    world.say(JT_TEMPERATURE, 13 * MIN, 26.0)
    assert [row[3] for row in world.rows[AIR]] == [True, False]
    assert briefly(world, "apart") == [("raised", 13, 6.0)]


def test_a_backlog_of_both_in_one_batch_is_compared_whatever_its_order() -> None:
    """After an outage both come at once: nothing is unseen."""
    world = World((DEVIATION,))
    world.read({JT_TEMPERATURE: minutes([26.0] * 10), AIR: minutes([20.0] * 10)})
    assert briefly(world, "apart") == [("raised", 2, 6.0)]
    assert not any(row[3] for rows in world.rows.values() for row in rows)


def test_a_probe_cut_off_for_longer_than_is_remembered_is_not_compared_for_what_it_brings() -> None:
    """The room's readings of three days ago are forgotten: the bed's are kept as unseen, and a replay agrees."""
    days = KEEP_MS // MIN + 60
    world = World((DEVIATION,))
    world.say(AIR, 7 * MIN, 20.0)
    world.say(AIR, days * MIN, 20.0)
    world.say(JT_TEMPERATURE, 10 * MIN, 26.0)
    assert world.rows[JT_TEMPERATURE] == [(10 * MIN, 26.0, 1, True)]
    assert world.told == world.replay([]) == []


def test_a_deviation_may_wait_until_the_reading_itself_is_beyond_something() -> None:
    """Twelve above a cold room says nothing at 22 degrees, and is told at 25 as what it is. Back at 23.5 it holds, as
    the deadband of one degree holds for both; at 22.5 it clears."""
    world = World((rule(DEVIATION, beyond=24.0, deadband=1.0),))
    for at, bed in ((10, 22.0), (20, 24.0), (30, 25.0), (40, 23.5), (50, 22.5)):
        apart(world, bed, 10.0, at)
    assert briefly(world, "apart") == [("raised", 30, 15.0), ("cleared", 50, 3.5)]


def test_a_deviation_below_waits_until_the_reading_is_low_enough() -> None:
    """The mirror image: ten below a hot room says nothing at 20 degrees, and is told at 15."""
    world = World((rule(DEVIATION, setpoint=-5.0, beyond=18.0),))
    apart(world, 20.0, 30.0, 10)
    apart(world, 15.0, 30.0, 20)
    assert briefly(world, "apart") == [("raised", 20, -15.0)]


def test_two_levels_of_one_comparison_are_both_told() -> None:
    """The second level at the same series is held against the same readings of the room."""
    world = World((DEVIATION, rule(DEVIATION, name="far-apart", setpoint=8.0)))
    apart(world, 29.0, 20.0, 10)
    assert world.calls() == ["10 @juniper/top", "10 @juniper/top"]
    world.restart()
    apart(world, 26.0, 20.0, 20)
    assert world.brief("far-apart")[1:] == ["cleared 20 returned-unacknowledged @juniper/top"]
    assert len(world.brief("apart")) == 1


def test_stored_readings_without_marks_are_all_held_against() -> None:
    """A start that is given plain readings takes them as seen."""
    world = World((DEVIATION,))
    plain = {AIR: Readings(np.array([9 * MIN]), np.array([20.0]), np.array([1], np.uint8))}
    kept = Kept(newest={AIR: Newest(9 * MIN, 9 * MIN, 20.0)}, recent=plain)
    engine = Engine(world.rules, Site(world.lab, SERIES), kept, Running(UP))
    bed = Readings(np.array([12 * MIN]), np.array([26.0]), np.array([1], np.uint8))
    assert [one.value for one in engine.judge_all({JT_TEMPERATURE: bed}).transitions] == [6.0]


def test_what_is_unseen_is_marked_where_a_timer_of_the_link_ends_in_between() -> None:
    """The broker's alarm is due at 18 min, amid readings of the room of which two come too late: those are marked, and
    neither the third nor the bed's in the same batch is."""
    world = World((DEVIATION, BROKER))
    world.set_link(False, 8 * MIN)
    world.say(JT_TEMPERATURE, 17 * MIN, 20.0)
    world.read({AIR: minutes([20.0, 20.0, 20.0], start=10, step=5), JT_TEMPERATURE: minutes([26.0], start=23)})
    assert [row[3] for row in world.rows[AIR]] == [True, True, False]
    assert [row[3] for row in world.rows[JT_TEMPERATURE]] == [False, False]
    assert world.calls() == ["18 @broker", "23 @juniper/top"]


# ---- discrepancy -------------------------------------------------------------------------------------------------


def test_which_of_two_probes_has_the_alarm_does_not_depend_on_the_lab_file() -> None:
    """The one whose id sorts later, also where it stands first; a third is held against the first as well."""
    swapped = World((PROBES,), series=tuple(reversed(SERIES)))
    assert {key.series for key in swapped.engine.states()} == {JT2_TEMPERATURE}
    third = Series(id=99, probe="jt3", channel="t", measure="bedding_temperature", place="juniper/top", unit="")
    world = World((PROBES,), series=(third, *SERIES))
    assert {key.series for key in world.engine.states()} == {JT2_TEMPERATURE, 99}


def test_two_probes_of_one_place_that_disagree() -> None:
    """The later of them has the alarm; which of the two is higher makes no difference."""
    for other in (26.0, 20.0):
        world = World((PROBES,))
        world.say(JT_TEMPERATURE, 7 * MIN, 23.0)
        world.say(JT2_TEMPERATURE, 10 * MIN, other)
        assert [(one.key.series, one.value) for one in world.told] == [(JT2_TEMPERATURE, 3.0)]
    assert {key.series for key in world.engine.states()} == {JT2_TEMPERATURE}, "no place else has two"


def squeezed(world: World, feel: Feel, value: float, at: int = 1) -> list[tuple[str, float, float | None]]:
    world.note(DiaryKind.SQUEEZE, "juniper/top", at * MIN, feel)
    world.say(JT_MOISTURE, (at + 1) * MIN, value)
    return briefly(world, "squeezed")


@pytest.mark.parametrize(
    ("feel", "value", "outside"),
    [
        (Feel.DRY, 80.0, 5.0),
        (Feel.DRY, 60.0, None),
        (Feel.DAMP, 50.0, 10.0),
        (Feel.DAMP, 75.0, None),
        (Feel.DAMP, 95.0, 7.0),
        (Feel.WET, 60.0, 15.0),
        (Feel.WET, 90.0, None),
    ],
)
def test_a_squeeze_test_that_says_otherwise(feel: Feel, value: float, outside: float | None) -> None:
    """How far the probe is outside the band of what was felt; nothing where it is inside."""
    told = squeezed(World((SQUEEZED,)), feel, value)
    assert told == ([] if outside is None else [("raised", 2, outside)])


def test_bands_of_the_rule_come_before_the_usual_ones() -> None:
    """Bands are configuration: a lab with other bedding gives its own, and a feel without a band is not judged."""
    own: Rule = rule(SQUEEZED, bands=(Band(Feel.DRY, 0.0, 50.0),))
    assert squeezed(World((own,)), Feel.DRY, 60.0) == [("raised", 2, 10.0)]
    assert squeezed(World((own,)), Feel.WET, 10.0) == []


@pytest.mark.parametrize("ends", ["time", "water", "drain", "strike"])
def test_a_squeeze_test_does_not_hold_for_ever(ends: str) -> None:
    """Twelve hours later, or once water was given or drained, it says nothing about the bedding any more."""
    world = World((SQUEEZED,))
    world.note(DiaryKind.SQUEEZE, "juniper/top", MIN, Feel.DRY)
    at = 3
    if ends == "time":
        at = 12 * 60 + 2
    elif ends == "water":
        world.note(DiaryKind.WATERED, "juniper/top", 2 * MIN)
    elif ends == "drain":
        world.note(DiaryKind.DRAINED, "juniper", 2 * MIN)
    else:
        world.note(DiaryKind.SQUEEZE, "juniper/top", 2 * MIN, Feel.WET)
    world.say(JT_MOISTURE, at * MIN, 90.0)
    assert briefly(world, "squeezed") == []


def test_a_kind_holds_for_the_series_it_is_about() -> None:
    """Suspect without a measure holds for every series; the others for their measure."""
    world = World((SUSPECT, RATE))
    keys = {(key.rule, key.series) for key in world.engine.states()}
    assert {series for name, series in keys if name == "doubtful"} == set(range(1, 9))
    assert ("rising", MT_TEMPERATURE) in keys
    assert ("rising", AIR) not in keys
    assert RATE.kind is Kind.RATE
