"""What is to be done about a tray's water: one deed from all that is known."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.domain.squeeze import Feel
from collector.domain.units import show_mass, show_volume
from collector.husbandry.ahead import carried
from collector.husbandry.bounds import (
    A_DAY_L,
    ESTIMATED,
    HANDFUL_KG,
    OWN_SCALE_PCT,
    PROBE_PCT,
    SAFE_HIGH_PCT,
    SAFE_LOW_PCT,
    WEIGHED,
)
from collector.husbandry.moisture import water_change_l, wet_kg
from collector.husbandry.watering import GOAL_PCT, NOT_ABOVE_PCT, TrayNow, WaterVerdict, about_dry, about_wet

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
        (replace(DRY, moisture_pct=77.4), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=84.0, probe_pct=5.0), WaterVerdict.AS_WRITTEN),
        (replace(DRY, beyond_points=True), WaterVerdict.BY_HAND),
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
    each leave it without water. No amount is told that is nothing when told to a tenth of a litre, or that follows
    from a count beyond the calibrated points."""
    assert about_dry(now).verdict is verdict


@pytest.mark.parametrize(
    ("now", "verdict"),
    [
        (replace(DRY, moisture_pct=87.9), WaterVerdict.MIX_IN),
        (replace(DRY, moisture_pct=88.0), WaterVerdict.DRAIN),
        (replace(DRY, moisture_pct=110.0), WaterVerdict.DRAIN),
        (replace(DRY, moisture_pct=90.0, beyond_points=True), WaterVerdict.BY_HAND),
        (replace(DRY, moisture_pct=90.0, fed=False), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=None), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=85.1), WaterVerdict.AS_WRITTEN),
        (replace(DRY, moisture_pct=70.0), WaterVerdict.HAND_FIRST),
        (replace(DRY, moisture_pct=90.0, feel=Feel.DAMP), WaterVerdict.HAND_FIRST),
        (replace(DRY, moisture_pct=87.0, feel=Feel.WET), WaterVerdict.MIX_IN),
    ],
)
def test_a_wet_tray(now: TrayNow, verdict: WaterVerdict) -> None:
    """Paper only goes where food goes: what is nearly finished drains or is harvested. What is full drains first,
    and a count beyond the calibrated points gives no amount."""
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


def test_a_first_step_is_told_apart_from_the_rest_of_the_next_days() -> None:
    """To 85 % before a break: a weighed tray has all of its 5.2 L in portions of a litre; one that nobody has weighed
    may be light, so it is looked at anew after the first litre."""
    sure, guessed = (about_dry(replace(DRY, dry_kg=dry_kg), 85.0) for dry_kg in (1.25, None))
    assert (sure.today_l, sure.look_again) == (1.0, False)
    assert sure.total_l == pytest.approx(5.21, abs=0.01)
    assert (guessed.today_l, guessed.look_again) == (1.0, True)
    near = about_dry(replace(DRY, dry_kg=None, moisture_pct=82.0), 85.0)
    assert near.look_again
    assert 0 < near.today_l < near.total_l < 1.5


OFF = st.sampled_from([-1.0, 1.0]) | st.floats(-1.0, 1.0)
"""A share of the most that something may be off by; often all of it, where harm would be done first."""


class Bed:
    """What a tray truly is, seen by a probe and a mass that are off, and told of in whole tenths."""

    def __init__(self, draw: st.DataObject) -> None:
        self.dry_kg = draw.draw(st.sampled_from([0.2, 1.25]) | st.floats(0.2, 5.0))
        self.water_kg = wet_kg(self.dry_kg, draw.draw(st.floats(76.0, 88.0) | st.floats(20.0, 97.0))) - self.dry_kg
        self.us = draw.draw(st.booleans())
        self.weighed = draw.draw(st.booleans())
        probe_pct = draw.draw(st.sampled_from([PROBE_PCT, OWN_SCALE_PCT]))
        self.off = probe_pct * draw.draw(OFF)
        self.seen = (WEIGHED if self.weighed else ESTIMATED) ** draw.draw(OFF)
        self.now = TrayNow(probe_pct=probe_pct)

    @property
    def pct(self) -> float:
        return 100 * self.water_kg / (self.dry_kg + self.water_kg)

    def known(self, poured_l: float) -> TrayNow:
        """A tray that is not weighed has such an area that its mass comes out as far off."""
        kg = self.dry_kg * self.seen
        mass = {"dry_kg": kg} if self.weighed else {"area_m2": kg / 7.5}
        return replace(self.now, moisture_pct=min(100.0, max(0.0, self.pct + self.off)), poured_l=poured_l, **mass)

    def told_l(self, litres: float) -> float:
        """As people read it."""
        amount, unit = show_volume(litres, self.us).split(" ", 1)
        return float(amount) * {"L": 1.0, "qt": 0.946353, "fl oz": 0.0295735, "gal": 3.785412}[unit]

    def told_kg(self, kg: float) -> float:
        amount, unit = show_mass(kg, self.us).split()
        return float(amount) * {"kg": 1.0, "lb": 0.453592, "oz": 0.0283495}[unit]

    def watered(self, goal_pct: float) -> Iterator[float]:
        """Moisture after each portion that was told, day by day, until no amount is told in the morning."""
        for _ in range(60):
            poured_l, left_l, any_l = 0.0, 0.0, False
            while (deed := about_dry(self.known(poured_l), goal_pct)).verdict is WaterVerdict.ADD_WATER:
                self.water_kg += (now_l := self.told_l(deed.today_l))
                poured_l, any_l = poured_l + now_l, True
                yield self.pct
                if not deed.look_again:
                    left_l = self.told_l(deed.total_l) - now_l
                    break
            while left_l > 0.01:
                self.water_kg += (now_l := min(left_l, A_DAY_L))
                left_l -= now_l
                yield self.pct
            if not any_l:
                return
        pytest.fail("it is told to pour without end")

    def dried(self) -> Iterator[float]:
        """Moisture after each time that dry bedding was mixed in as told."""
        for _ in range(60):
            deed = about_wet(self.known(0.0))
            if not deed.bedding_kg:
                return
            kg = deed.bedding_kg if deed.verdict is WaterVerdict.DRAIN else self.told_kg(deed.bedding_kg)
            assert kg <= (self.dry_kg + self.water_kg) / 3
            self.dry_kg += 0.92 * kg
            self.water_kg += 0.08 * kg
            yield self.pct


@settings(max_examples=100, deadline=None)
@given(draw=st.data(), goal_pct=st.sampled_from([GOAL_PCT, NOT_ABOVE_PCT]) | st.floats(GOAL_PCT, NOT_ABOVE_PCT))
def test_doing_as_told_leaves_a_tray_in_its_safe_band(draw: st.DataObject, goal_pct: float) -> None:
    """Whatever its state, and whatever the error of its probe and mass within what they are known by, in the rounded
    words of either system of units: water never takes it above 88 % and ends at 60 % or more; dry bedding never takes
    it below 60 %, and is never more than a third of it at once."""
    bed = Bed(draw)
    full = max(SAFE_HIGH_PCT, bed.pct)
    assert all(pct <= full for pct in bed.watered(goal_pct))
    assert bed.pct >= SAFE_LOW_PCT
    assert all(pct >= SAFE_LOW_PCT for pct in bed.dried())


@pytest.mark.parametrize("level", [88.0, 91.3, 97.0, 99.9])
def test_a_full_tray_is_told_no_kilograms(level: float) -> None:
    """Once 149 kg of dry bedding followed from 99.9 %: a handful does."""
    deed = about_wet(replace(DRY, moisture_pct=level))
    assert (deed.verdict, deed.bedding_kg) == (WaterVerdict.DRAIN, HANDFUL_KG)
