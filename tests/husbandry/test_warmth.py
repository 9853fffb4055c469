"""What warms a tray, and how warm it becomes."""

import numpy as np
import pytest
from numpy.typing import NDArray

from collector.domain.foresight.conformal import ByHorizon
from collector.husbandry.warmth import (
    HORIZONS_D,
    QUICKEST_H,
    SLOWEST_H,
    Fit,
    Warmer,
    course,
    peak,
    scale_c,
)

Numbers = NDArray[np.float64]
HOURS = 21 * 24
HOUR = np.arange(HOURS)
ROOM: Numbers = 19 + 2.5 * np.sin((HOUR % 24 - 9) * 2 * np.pi / 24) - 3.0 * (HOUR % 168 >= 120)
TAU_H = 12.0


def bed(lift_c: float = 1.0, heat: Numbers | float = 0.0, room: Numbers = ROOM) -> Numbers:
    """Hourly temperatures of a tray with this lift and more heat of its own, degC."""
    share, found = -np.expm1(-1 / TAU_H), np.empty(HOURS)
    found[0] = 19.0
    towards = room + lift_c + heat
    for hour in range(1, HOURS):
        towards_now = 0.5 * (towards[hour - 1] + towards[hour])
        found[hour] = found[hour - 1] + share * (towards_now - found[hour - 1])
    return found


FED = np.where(HOUR >= HOURS - 30, 12.0, 0.0)
"""Food that would lift the tray by 12 degrees, put in 30 h ago."""


def test_a_tray_is_known_by_how_it_follows_its_room() -> None:
    """Time constant and lift."""
    fit = Warmer(bed(), ROOM).fit(HOURS)
    assert fit is not None
    assert fit.tau_h == pytest.approx(TAU_H, rel=0.05)
    assert fit.lift_c == pytest.approx(1.0, abs=0.1)
    assert fit.heat_c == pytest.approx(0.0, abs=0.1)


def test_food_does_not_bend_the_exchange_with_the_room() -> None:
    """With a large feed in its last day the time constant is as before, and the heat shows as the tray's own."""
    fit = Warmer(bed(heat=FED), ROOM).fit(HOURS)
    assert fit is not None
    assert fit.tau_h == pytest.approx(TAU_H, rel=0.1)
    assert fit.heat_c == pytest.approx(12.0, abs=1.5)


def test_heating_by_food_is_told_from_heating_by_the_room() -> None:
    """The same rise in a tray: once its own, once the room's, each named as what it is."""
    fed = Warmer(bed(heat=FED), ROOM).why(HOURS, 30)
    hot = Warmer(bed(room=ROOM + FED), ROOM + FED).why(HOURS, 30)
    assert fed is not None
    assert hot is not None
    assert fed.by_itself_c > 5
    assert abs(fed.by_room_c) < 3
    assert hot.by_room_c > 5
    assert abs(hot.by_itself_c) < 1.5


def test_the_weekend_to_come_is_foretold() -> None:
    """From Friday noon on: within half a degree on Saturday night, when the setback has cooled the room by three."""
    friday = 2 * 168 + 4 * 24 + 12
    about = Warmer(bed(), ROOM).about(friday, 48)
    assert about is not None
    assert about[36] == pytest.approx(bed()[friday - 1 + 36], abs=0.5)


def test_after_a_feed_the_peak_to_come_is_told() -> None:
    """Heat fades and the tray still rises: the warmest hour lies ahead, with its temperature."""
    about = course(Fit(tau_h=20.0, lift_c=15.0, usual_lift_c=1.0), 22.0, np.full(96, 20.0))
    found = peak(about)
    assert found is not None
    assert 10 < found.hours < 40
    assert found.temp_c == about.max() > 26
    assert peak(about[found.hours :]) is None
    assert peak(about[: found.hours]) is None


def test_errors_made_give_the_span() -> None:
    """Forecasts of a steady tray were good, so its spans are narrower than the prior."""
    came = list(Warmer(bed(), ROOM).came_out(HOURS))
    assert {one.ahead for one in came} == set(HORIZONS_D)
    assert ByHorizon(HORIZONS_D, came).half_width(1.0) < ByHorizon(HORIZONS_D).half_width(1.0)
    assert scale_c(1.0) == pytest.approx(1.3)


def test_where_the_record_does_not_say_nothing_is_said() -> None:
    """A room that never changes, two hours of record, a probe silent of late, and one that goes against the room."""
    still = np.full(HOURS, 20.0)
    assert Warmer(still, still).fit(HOURS) is None
    assert Warmer(bed(), ROOM).fit(2) is None
    assert Warmer(bed(), ROOM).about(2, 24) is None
    silent = bed()
    silent[-24:] = np.nan
    assert Warmer(silent, ROOM).fit(HOURS) is None
    assert Warmer(silent, ROOM).about(HOURS, 24) is None
    assert Warmer(40 - ROOM, ROOM).fit(HOURS) is None
    just_silent = bed()
    just_silent[-1] = np.nan
    assert Warmer(just_silent, ROOM).about(HOURS, 24) is None
    assert Warmer(just_silent, ROOM).why(HOURS, 24) is None
    assert Warmer(bed(), ROOM).why(HOURS, HOURS) is None
    room_unknown = ROOM.copy()
    room_unknown[-10] = np.nan
    assert Warmer(bed(), room_unknown).why(HOURS, 24) is None
    gaps = bed()
    gaps[::5] = np.nan
    assert list(Warmer(gaps, ROOM).came_out(HOURS)) == []


def test_a_time_constant_stays_within_what_trays_have() -> None:
    """A probe that hangs in the air follows at once, one in a cellar wall hardly."""
    quick = Warmer(ROOM, np.roll(ROOM, 0) + 0.01 * np.sin(HOUR)).fit(HOURS)
    assert quick is None or QUICKEST_H <= quick.tau_h <= SLOWEST_H
