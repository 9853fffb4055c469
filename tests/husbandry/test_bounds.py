"""Amounts that cannot harm: for any state of a tray and any error of its probe within what it is known to be off by."""

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from collector.husbandry.bounds import (
    A_DAY_L,
    ESTIMATED,
    HANDFUL_KG,
    PROBE_PCT,
    SAFE_HIGH_PCT,
    SAFE_LOW_PCT,
    Known,
    Range,
    SafeStep,
    bedding_step,
    level_range,
    mass_range,
    water_step,
)
from collector.husbandry.moisture import wet_kg

GOAL_PCT, NOT_ABOVE_PCT, PAPER_PCT = 77.5, 85.0, 8.0
STEPS = 40
"""A tray that has not come to rest after so many steps is taken to go on without end."""

DRY_KG = st.floats(0.2, 5.0)
ERROR = st.floats(0.0, 12.0)
SHARE = st.floats(-1.0, 1.0)


def moisture(dry_kg: float, water_kg: float) -> float:
    return 100 * water_kg / (dry_kg + water_kg)


def seen(true_pct: float, error_pct: float, share: float, dry_kg: float, mass_share: float) -> Known:
    """What is known of a tray by a probe that is off by `share` of its error, and a mass that is off by up to what an
    estimate may be."""
    read = min(99.0, max(0.0, true_pct + share * error_pct))
    return Known(
        level_pct=level_range(read, error_pct), dry_kg=mass_range(dry_kg * ESTIMATED**mass_share, weighed=False)
    )


@given(st.floats(20.0, 87.9), DRY_KG, ERROR, SHARE, SHARE)
def test_watering_as_told_never_leaves_a_tray_too_wet(
    start_pct: float, dry_kg: float, error_pct: float, share: float, mass_share: float
) -> None:
    """Step after step, with the same error each time, until nothing more is told: at no moment above 88 %. And where
    the probe's error leaves room for it, a dry tray ends at 60 % at least."""
    water_kg = wet_kg(dry_kg, start_pct) - dry_kg
    for _ in range(STEPS * 20):
        step = water_step(seen(moisture(dry_kg, water_kg), error_pct, share, dry_kg, mass_share), GOAL_PCT)
        if step is None:
            break
        assert 0 < step.now <= A_DAY_L
        water_kg += step.now
        assert moisture(dry_kg, water_kg) <= SAFE_HIGH_PCT + 1e-9
    else:
        pytest.fail("it is told to pour without end")
    if error_pct <= 10.0:
        assert moisture(dry_kg, water_kg) >= SAFE_LOW_PCT


@given(st.floats(60.0, 96.0), DRY_KG, ERROR, SHARE, SHARE)
def test_mixing_in_as_told_never_leaves_a_tray_too_dry(
    start_pct: float, dry_kg: float, error_pct: float, share: float, mass_share: float
) -> None:
    """Step after step, until nothing more is told: never below 60 %, and no step is more than a third of the tray."""
    water_kg = wet_kg(dry_kg, start_pct) - dry_kg
    for _ in range(STEPS):
        known = seen(moisture(dry_kg, water_kg), error_pct, share, dry_kg, mass_share)
        step = bedding_step(known, NOT_ABOVE_PCT, PAPER_PCT)
        if step is None:
            break
        assert step.now <= (dry_kg + water_kg) / 3 + 1e-9
        dry_kg += step.now * (1 - PAPER_PCT / 100)
        water_kg += step.now * PAPER_PCT / 100
        assert moisture(dry_kg, water_kg) >= SAFE_LOW_PCT - 1e-9


@given(st.floats(0.0, 99.0), ERROR, DRY_KG, st.floats(61.0, 87.0), st.floats(0.0, 20.0))
def test_no_tray_is_told_both(level: float, error_pct: float, dry_kg: float, goal: float, more: float) -> None:
    """Water and dry bedding at once would be advice against itself."""
    known = Known(level_pct=level_range(level, error_pct), dry_kg=mass_range(dry_kg, weighed=True))
    assume(goal + more < 99)
    assert water_step(known, goal) is None or bedding_step(known, goal + more, PAPER_PCT) is None


WEIGHED = Known(level_pct=level_range(70.0), dry_kg=mass_range(1.5, weighed=True))


def test_a_tray_that_is_known_well_is_told_what_it_needs() -> None:
    """1.5 kg dry from 70 % to 72 %: 1.5 (2.571 - 2.333) = 0.357 L, at once."""
    step = water_step(WEIGHED, 72.0)
    assert step is not None
    assert (step.now, step.needed) == pytest.approx((0.357, 0.357), abs=0.001)
    assert not step.look_again


def test_where_much_is_unknown_the_first_safe_step_is_told() -> None:
    """At 83 % give or take 4 points it may be at 87 %, and weigh two thirds: 1 kg (7.33 - 6.69) = 0.64 L is safe of the
    0.98 L that the middle asks for, and 0.05 L less where amounts are told to a tenth of a litre."""
    wide = Known(level_pct=level_range(83.0, 4.0), dry_kg=Range(1.0, 1.5, 2.4))
    step = water_step(wide, 84.66, today_l=9.0)
    assert step is not None
    assert step.now == pytest.approx(0.591, abs=0.001)
    assert step.needed == pytest.approx(0.955, abs=0.01)
    assert step.look_again


def test_a_day_takes_up_a_litre() -> None:
    """However dry a tray is, the rest waits for tomorrow; which is no doubt about it, so nobody is to look in an
    hour."""
    step = water_step(replace(WEIGHED, level_pct=level_range(50.0)), GOAL_PCT)
    assert step is not None
    assert (step.now, step.look_again) == (A_DAY_L, False)
    assert step.needed > A_DAY_L


@pytest.mark.parametrize(
    "known",
    [
        replace(WEIGHED, beyond_points=True),
        replace(WEIGHED, hand_says_other=True),
        replace(WEIGHED, level_pct=level_range(70.0, 15.0)),
        replace(WEIGHED, level_pct=level_range(80.0)),
        replace(WEIGHED, level_pct=Range(70.0, 72.0, 88.5)),
        replace(WEIGHED, full_pct=73.0),
        replace(WEIGHED, level_pct=level_range(77.4)),
    ],
    ids=["beyond the points", "against the hand", "wide error", "wet enough", "maybe full", "full by sample", "a sip"],
)
def test_no_water_is_told_where_none_is_sure_to_be_right(known: Known) -> None:
    """Of a count nobody calibrated, against a hand, by a probe as wide as the whole band, or to a tray that needs none
    or may be full."""
    assert water_step(known, GOAL_PCT) is None


def test_a_wet_tray_is_told_as_much_bedding_as_brings_it_down() -> None:
    """6 kg at 87 % (0.78 kg dry) to 85 % with paper of 8 %: 6 (87 - 85) / (85 - 8) = 0.156 kg."""
    step = bedding_step(replace(WEIGHED, level_pct=level_range(87.0), dry_kg=mass_range(0.78, True)), 85.0, PAPER_PCT)
    assert step is not None
    assert (step.now, step.needed) == pytest.approx((0.156, 0.156), abs=0.001)


@pytest.mark.parametrize("level", [88.0, 92.0, 98.9])
def test_a_full_tray_drains_and_gets_a_handful(level: float) -> None:
    """Not kilograms: what water stands in it says nothing of its mass."""
    step = bedding_step(replace(WEIGHED, level_pct=level_range(level)), 85.0, PAPER_PCT)
    assert step == SafeStep(now=HANDFUL_KG, needed=HANDFUL_KG, drain=True)


def test_a_tray_full_by_its_own_sample_drains_too() -> None:
    """Mature castings are full at 82 %: at 83 % such a tray stands in water."""
    castings = replace(WEIGHED, level_pct=level_range(83.0), full_pct=82.0)
    step = bedding_step(castings, 80.0, PAPER_PCT)
    assert step is not None
    assert step.drain


def test_a_tray_that_may_be_dry_already_gets_no_bedding() -> None:
    """By the low end of what it may be it has none to spare, or the amount is not worth a hand."""
    assert bedding_step(replace(WEIGHED, level_pct=Range(59.0, 86.0, 87.0)), 85.0, PAPER_PCT) is None
    assert bedding_step(replace(WEIGHED, level_pct=level_range(80.0)), 85.0, PAPER_PCT) is None
    assert bedding_step(replace(WEIGHED, beyond_points=True), 60.0, PAPER_PCT) is None
    tiny = replace(WEIGHED, level_pct=level_range(85.1), dry_kg=mass_range(0.2, True))
    assert bedding_step(tiny, 85.0, PAPER_PCT) is None


def test_ranges_hold_what_they_are_of() -> None:
    """Three points either way by the usual probe, 15 % of a weighed mass, and more of an estimate."""
    assert level_range(70.0) == (70.0 - PROBE_PCT, 70.0, 70.0 + PROBE_PCT)
    assert level_range(98.0, 5.0).high == 99.0
    assert level_range(2.0, 5.0).low == 0.0
    assert mass_range(1.15, weighed=True) == pytest.approx((1.0, 1.15, 1.3225))
    assert mass_range(1.6, weighed=False) == pytest.approx((1.0, 1.6, 2.56))
