"""What people do in a scenario: once, as a routine, and not at all in the holidays."""

from collections.abc import Iterable

import pytest

from sim_sensors import world
from sim_sensors.pack import Fact
from sim_sensors.run import run
from sim_sensors.scenario import Scenario
from tests.sim.eventful import DAY_MS, HOUR_MS, START_MS, tended

WATERING = "routine: [{place: juniper/top, at: 10 h, dry_below: 72 %, water_to: 78 %}]\n"
FEEDING = "routine: [{place: juniper/top, at: 10 h, feed: 60 g, feed_on: mon wed fri}]\n"


def done(scenario: Scenario, days: float, start_ms: int = START_MS) -> list[tuple[float, str, str, object]]:
    """(hours since the start, what, where, kg)"""
    told: Iterable[Fact] = (fact for pack in run(scenario, 1, start_ms, round(days * DAY_MS)) for fact in pack.facts)
    return [((f.t_ms - start_ms) / HOUR_MS, f.name, f.place, f.values["kg"]) for f in told if f.kind == "care"]


def test_dry_bedding_is_watered_to_the_moisture_wanted() -> None:
    """4 kg at 70 % are wetted at 10 h (two hours in) to 78 %: W (M2 - M1) / (100 - M2) is 1.455 kg; then it is wet
    enough for the rest of the week."""
    scenario = tended(WATERING)
    ((hour, what, where, kg),) = done(scenario, 5)
    assert (hour, what, where) == (2, "water", "juniper/top")
    assert kg == pytest.approx(4 * (78 - 70) / (100 - 78), abs=0.01)
    plan, now = world.plan(scenario), world.begin(scenario, START_MS)
    while now.elapsed_ms <= 2 * HOUR_MS:
        now, _ = world.step(plan, now)
    assert now.trays[0].moisture_pct == pytest.approx(78, abs=0.01)


def test_bedding_that_feels_wet_is_left_alone() -> None:
    """At 70 % nothing is poured by those who take that for wet."""
    assert done(tended(WATERING.replace("72 %", "65 %")), 1) == []


@pytest.mark.slow
def test_feeding_on_its_days_but_not_in_the_holidays() -> None:
    """Monday, Wednesday and Friday at 10 h; nothing in the week of 9 March, which is off; again the Monday after."""
    hours = [hour for hour, what, _, kg in done(tended(FEEDING), 15) if what == "feed" and kg == 0.06]
    assert hours == [2, 50, 98, 14 * 24 + 2]


def test_nobody_comes_in_a_holiday_that_happens() -> None:
    """The fault keeps people away for as long as it lasts."""
    away = "faults: [{kind: holiday, from: 1 d, for: 2 d}]\n"
    assert [hour for hour, *_ in done(tended(FEEDING + away), 5)] == [2, 98]


def test_the_routine_keeps_the_labs_clock() -> None:
    """Ten o'clock five hours west of Greenwich is 15 h UTC; a time between two steps falls into the earlier, even at
    midnight."""
    west = tended(FEEDING.replace("at: 10 h", "at: 602 min"))
    assert [hour for hour, *_ in done(west, 1)] == [2]
    at_midnight = tended(FEEDING.replace("at: 10 h", "at: 0 h"))
    late = START_MS + 16 * HOUR_MS - 120_000  # 23:58 on Monday, and Tuesday is no day for feeding
    assert done(at_midnight, 1, late) == []
    assert [hour for hour, *_ in done(at_midnight, 1, late + DAY_MS)] == [0]


def test_sumps_are_emptied() -> None:
    """At the set time; or as a routine where the level is over the mark, and not where it is under."""
    assert done(tended("care: [{at: 3 h, place: juniper, empty: yes}]\n"), 1) == [(3, "empty", "juniper", 0.8)]
    over = "routine: [{place: juniper, empty_above: 30 %}]\n"
    assert done(tended(over), 2) == [(2, "empty", "juniper", 0.8)]
    assert done(tended(over.replace("30 %", "50 %")), 2) == []


def test_a_flood_pours_all_the_while() -> None:
    """5 L over two hours come in equal parts."""
    poured = done(tended("faults: [{kind: flood, place: juniper/top, from: 1 h, for: 2 h, water: 5 L}]\n"), 0.5)
    assert len(poured) == 24
    assert {kg for *_, kg in poured} == {round(5 / 24, 4)}


def test_a_pocket_of_a_fault_is_spread_when_it_ends() -> None:
    """While it lasts there is a pocket; afterwards there is none."""
    scenario = tended("faults: [{kind: heat, place: juniper/top, from: 1 h, for: 5 h, feed: 1 kg}]\n")
    plan, now = world.plan(scenario), world.begin(scenario, START_MS)
    kg = []
    for _ in range(7 * 12):
        now, _moved = world.step(plan, now)
        kg.append(now.trays[0].pocket.mass_kg)
    assert [mass > 0 for mass in kg] == [12 <= n < 72 for n in range(84)]
