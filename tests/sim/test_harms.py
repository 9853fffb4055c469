"""Harms of the truth: when each begins, becomes lasting and ends, and by when somebody must know."""

from dataclasses import replace

import pytest

from sim_sensors import harms, truth
from sim_sensors.harms import Watch
from sim_sensors.pack import Fact
from sim_sensors.physics import tray
from sim_sensors.physics.brewer import Phase, Tea
from sim_sensors.run import run
from sim_sensors.scenario import Scenario
from sim_sensors.world import World, begin
from tests.sim.eventful import DAY_MS, HOUR_MS, START_MS, eventful
from tests.sim.small import small_lab

TOP = "juniper/top"


def with_tray(moisture: float, temp_c: float, worms_kg: float = 0.4) -> World:
    now = begin(small_lab(), START_MS)
    return replace(now, trays=(tray.bedding(6, moisture, temp_c, worms_kg), *now.trays[1:]))


def with_tea(tea: Tea) -> World:
    return replace(begin(small_lab(), START_MS), brewers=(tea,))


def standing(now: World) -> dict[str, bool]:
    return {what: worse for (what, _), worse in harms.standing(small_lab(), now)}


@pytest.mark.parametrize(
    ("moisture", "temp_c", "found"),
    [
        (75, 20, {}), (60, 20, {}), (90, 30, {}), (60.1, 4.1, {}),
        (59.9, 20, {"bedding-dry": False}), (49.9, 20, {"bedding-dry": True, "worms-dying": False}),
        (90.5, 20, {"bedding-wet": False}), (91.5, 20, {"bedding-wet": False, "bedding-airless": False,
         "worms-dying": False}),
        (75, 30.1, {"bedding-hot": False}), (75, 35.1, {"bedding-hot": True, "worms-dying": False}),
        (75, 3.9, {"bedding-cold": False}), (75, -0.1, {"bedding-cold": True, "worms-dying": True}),
    ],
)  # fmt: skip
def test_limits_of_a_tray(moisture: float, temp_c: float, found: dict[str, bool]) -> None:
    """60-90 % and 4-30 degC (Edwards 2004, table 18.3) do no harm; beyond, and beyond the worse limits, they do."""
    assert standing(with_tray(moisture, temp_c)) == found


def test_no_worms_no_deaths() -> None:
    """A tray they have left is not told of as a place where they die."""
    assert standing(with_tray(75, 40, worms_kg=0.001)) == {"bedding-hot": True}


@pytest.mark.parametrize(
    ("tea", "found"),
    [
        (Tea(20, 6.0, True), {}), (Tea(20, 5.9, True), {"oxygen-low": False}),
        (Tea(20, 1.9, True), {"oxygen-low": True}),
        (Tea(20, 7, True, Phase.BREWING, 36.1 * 3600), {"brew-overdue": False}),
        (Tea(20, 7, True, Phase.BREWING, 35.9 * 3600), {}),
        (Tea(20, 1, False, Phase.HELD, 3.9 * 3600), {}),
        (Tea(20, 1, False, Phase.HELD, 4.1 * 3600), {"tea-stale": False}),
        (Tea(20, 1, False, Phase.WATER, 9e9), {}),
    ],
)  # fmt: skip
def test_limits_of_a_brew(tea: Tea, found: dict[str, bool]) -> None:
    """6 mg/L while it brews, 36 h of air, 4 h until use; water and held tea need no oxygen."""
    assert standing(with_tea(tea)) == found


@pytest.mark.parametrize(("kg", "found"), [(1.79, {}), (1.81, {"sump-full": False}), (2.0, {"sump-full": True})])
def test_limits_of_a_sump(kg: float, found: dict[str, bool]) -> None:
    """Told of over 90 %; full, it stands back into the tray."""
    assert standing(replace(begin(small_lab(), START_MS), sumps_kg=(kg,))) == found


def told(scenario: Scenario, worlds: list[World]) -> list[tuple[float, str, str, object]]:
    """(hour, what, phase, hour by which to know)"""
    watch = Watch(scenario)
    found: list[tuple[float, str, str, object]] = []
    for now in worlds:
        for fact in watch.changes(now):
            found.append(((fact.t_ms - START_MS) / HOUR_MS, fact.name, fact.phase, fact.values.get("know_by")))
    return found


def hour(number: float) -> str:
    return truth.iso(START_MS + round(number * HOUR_MS))


def at(now: World, hours: float) -> World:
    return replace(now, t_ms=START_MS + round(hours * HOUR_MS), elapsed_ms=round(hours * HOUR_MS))


def test_a_harm_is_lasting_when_its_grace_is_over() -> None:
    """Dry for 48 h: lasting then, to be known 4 h before; and begun, lasting and over are each told once."""
    dry, good = with_tray(57, 20), with_tray(75, 20)
    worlds = [at(good, 0), *(at(dry, n) for n in range(1, 60)), at(good, 60), at(good, 61)]
    assert told(small_lab(), worlds) == [
        (1, "bedding-dry", "begin", hour(45)),
        (49, "bedding-dry", "lasting", hour(45)),
        (60, "bedding-dry", "end", None),
    ]


def test_a_worse_limit_makes_it_lasting_at_once() -> None:
    """Hot since 1 h, over 35 degC at 5 h: it should have been known at 3 h."""
    hot, hotter = with_tray(75, 31, 0), with_tray(75, 36, 0)
    assert told(small_lab(), [at(hot, 1), at(hot, 4), at(hotter, 5), at(hot, 6)]) == [
        (1, "bedding-hot", "begin", hour(11)),
        (5, "bedding-hot", "lasting", hour(3)),
    ]


def test_a_harm_that_comes_again_is_a_new_one() -> None:
    """A day's dryness, ended in time, does not count towards the next."""
    dry, good = with_tray(57, 20), with_tray(75, 20)
    found = told(small_lab(), [at(dry, 0), at(dry, 40), at(good, 41), at(dry, 42), at(dry, 80)])
    assert [what[2] for what in found] == ["begin", "end", "begin"]


@pytest.mark.parametrize(("probe", "by_hour"), [("juniper-top", 21), ("kettle-tea", 1.75)])
def test_unwatched_places(probe: str, by_hour: float) -> None:
    """A tray may go without readings for a day, a brew for an hour, less the time it takes to act."""
    lab = small_lab("", f"- {{kind: unplugged, probe: {probe}, from: 1 h, for: 30 h}}")
    facts = [fact for pack in run(lab, 1, START_MS, 2 * HOUR_MS) for fact in pack.facts]
    (fact,) = (f for f in facts if f.kind == "harm" and f.phase == "begin")
    assert (fact.name, fact.t_ms, fact.values["know_by"]) == ("unwatched", START_MS + HOUR_MS, hour(by_hour))


def test_every_harm_has_its_times() -> None:
    """Acting never takes longer than the grace of a harm, and each harm stands in the table at the head of
    the module."""
    for what, times in harms.TIMES.items():
        assert 0 < times.acting_ms < times.grace_ms
        assert f"\n{what}  " in (harms.__doc__ or "")


@pytest.fixture(scope="module")
def stories() -> list[Fact]:
    packs = run(eventful(), 1, START_MS, 23 * DAY_MS)
    return [fact for pack in packs for fact in pack.facts if fact.kind == "harm" and fact.phase != "end"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "place", "first_h", "last_h", "lasts"),
    [
        ("oxygen-low", "kettle", 54, 55, True),  # pump stopped from 54 h
        ("brew-overdue", "kettle", 9 * 24 + 36, 9 * 24 + 37, True),  # forgotten
        ("sump-full", "juniper", 0, 14 * 24, True),  # 6 L into a sump of 1 L
        ("bedding-airless", "juniper/bottom", 14 * 24, 15 * 24, True),  # 12 L behind a blocked drain
        ("bedding-hot", "juniper/top", 17 * 24, 21 * 24, True),  # heat wave
        ("bedding-cold", "juniper/top", 22 * 24, 23 * 24, None),  # heating off
        ("worms-dying", "juniper/top", 22 * 24, 23 * 24, True),  # the frost
    ],
)
def test_each_mishap_harms_where_and_when_it_should(
    stories: list[Fact], what: str, place: str, first_h: float, last_h: float, lasts: bool | None
) -> None:
    """What is done to the lab shows as the harm it is, within the time it takes."""
    hours = {
        fact.phase: (fact.t_ms - START_MS) / HOUR_MS
        for fact in reversed(stories)
        if (fact.name, fact.place) == (what, place) and (fact.t_ms - START_MS) / HOUR_MS >= first_h
    }
    assert first_h <= hours["begin"] <= last_h
    assert lasts is None or ("lasting" in hours) is lasts
