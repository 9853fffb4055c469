"""What is to be done about a tray's water: one deed from all that is known."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.squeeze import Feel
from collector.husbandry.ahead import carried
from collector.husbandry.moisture import water_change_l
from collector.husbandry.watering import A_DAY_L, GOAL_PCT, NOT_ABOVE_PCT, TrayNow, WaterVerdict, about_dry, about_wet

DRY = TrayNow(moisture_pct=60.0, dry_kg=1.25)
TRAYS = st.builds(
    TrayNow,
    moisture_pct=st.none() | st.floats(0, 100),
    feel=st.none() | st.sampled_from(Feel),
    felt_ms=st.just(0),
    doubted=st.booleans(),
    dry_kg=st.none() | st.floats(0.05, 20),
    area_m2=st.none() | st.floats(0.01, 2),
    poured_l=st.just(0.0) | st.floats(0, 3),
    sump_pct=st.none() | st.floats(0, 100),
    sump_stands=st.booleans(),
    fed=st.booleans(),
)


@pytest.mark.parametrize(
    ("now", "verdict"),
    [
        (DRY, WaterVerdict.ADD_WATER),
        (replace(DRY, moisture_pct=None), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=77.0), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=85.1), WaterVerdict.HAND_FIRST),
        (replace(DRY, feel=Feel.DRY), WaterVerdict.ADD_WATER),
        (replace(DRY, feel=Feel.DAMP, moisture_pct=59.9), WaterVerdict.HAND_FIRST),
        (replace(DRY, feel=Feel.WET), WaterVerdict.HAND_FIRST),
        (replace(DRY, feel=Feel.DAMP, moisture_pct=65.0), WaterVerdict.ENOUGH),
        (replace(DRY, feel=Feel.WET, moisture_pct=None), WaterVerdict.ENOUGH),
        (replace(DRY, doubted=True), WaterVerdict.HAND_FIRST),
        (replace(DRY, sump_pct=75.0), WaterVerdict.SUMP_FIRST),
        (replace(DRY, sump_pct=74.9), WaterVerdict.ADD_WATER),
        (replace(DRY, sump_stands=True, moisture_pct=None), WaterVerdict.SUMP_FIRST),
        (replace(DRY, poured_l=0.8), WaterVerdict.DAY_FULL),
        (replace(DRY, poured_l=5.0), WaterVerdict.DAY_FULL),
    ],
)
def test_a_dry_tray(now: TrayNow, verdict: WaterVerdict) -> None:
    """The hand is asked before the probe is believed; a full sump, a hand that finds it damp or enough poured today
    each leave it without water."""
    assert about_dry(now).verdict is verdict


@pytest.mark.parametrize(
    ("now", "verdict"),
    [
        (replace(DRY, moisture_pct=90.0), WaterVerdict.MIX_IN),
        (replace(DRY, moisture_pct=90.0, fed=False), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=None), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=85.1), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=70.0), WaterVerdict.HAND_FIRST),
        (replace(DRY, moisture_pct=90.0, feel=Feel.DAMP), WaterVerdict.HAND_FIRST),
        (replace(DRY, moisture_pct=90.0, feel=Feel.WET), WaterVerdict.MIX_IN),
    ],
)
def test_a_wet_tray(now: TrayNow, verdict: WaterVerdict) -> None:
    """Paper only goes where food goes: what is nearly finished drains or is harvested."""
    assert about_wet(now).verdict is verdict


def test_what_nobody_weighed_is_estimated_from_its_size() -> None:
    """30 kg of moist bedding on a square metre at 75 %: 0.165 m2 hold 1.24 kg dry, as an unknown tray does."""
    unknown, sized = about_dry(TrayNow(moisture_pct=70.0)), about_dry(TrayNow(moisture_pct=70.0, area_m2=0.165))
    assert unknown == sized
    assert unknown.estimated
    assert unknown.total_l == pytest.approx(1.2375 * (77.5 / 22.5 - 70 / 30))
    assert not about_dry(DRY).estimated


def test_water_is_spread_over_the_days_there_are() -> None:
    """1.25 (77.5/22.5 - 60/40) = 2.43 L take three days of a litre."""
    deed, fits = carried(DRY, GOAL_PCT, 3)
    assert (deed.today_l, deed.total_l) == pytest.approx((1.0, 2.43), abs=0.01)
    assert fits
    assert not carried(DRY, GOAL_PCT, 2)[1]
    assert carried(replace(DRY, doubted=True), GOAL_PCT, 1)[1]


@given(now=TRAYS, goal_pct=st.floats(70, NOT_ABOVE_PCT))
def test_no_deed_contradicts_what_is_known(now: TrayNow, goal_pct: float) -> None:
    """Water never passes the day's cap, nor the goal, nor goes in above a full sump or against the hand; nothing is
    both to be watered and to be dried."""
    dry, wet = about_dry(now, goal_pct), about_wet(now)
    assert dry.today_l + now.poured_l <= A_DAY_L + 1e-9 or not dry.today_l
    assert dry.today_l <= dry.total_l
    assert not (dry.total_l and wet.bedding_kg)
    assert not (dry.total_l and dry.forbids_water)
    if dry.verdict is WaterVerdict.ADD_WATER:
        assert now.feel in (None, Feel.DRY)
        assert not now.doubted
        assert not now.sump_stands
        assert (now.sump_pct or 0.0) < 75.0
        assert now.moisture_pct is not None
        assert dry.total_l <= water_change_l(now.mass_kg, now.moisture_pct, goal_pct) + 1e-9
