"""How a tray dries: its own coefficient, what is left out of it, and how far off it is."""

from dataclasses import replace

import numpy as np
import pytest

from collector.domain.foresight.conformal import ByHorizon
from collector.husbandry.drying import (
    HORIZONS_D,
    Assumed,
    Dryer,
    TrayHours,
    drive,
    moisture_pct,
    scale_pct,
    spanned,
    stretches,
    water_share,
)

C = 0.1
"""kg of water a day for each kg dry and kPa."""


def record(days: int = 8, water: float = 4.0, c: float = C, **changed: object) -> TrayHours:
    """A tray that dries from 4 kg of water for each kg dry (80 %) in a room of 20 degC and 50 %: 1.168 kPa."""
    hour = np.arange(days * 24)
    dried = moisture_pct(water - c * 1.168 * hour / 24)
    steady = np.ones(hour.size)
    made = TrayHours(
        moisture_pct=dried,
        bed_c=20 * steady,
        room_c=20 * steady,
        humidity_pct=50 * steady,
        stirred=np.zeros(hour.size, np.bool_),
    )
    return replace(made, **changed)  # type: ignore[arg-type]


def dryer(hours: TrayHours) -> Dryer:
    return Dryer(hours, drive(hours).kpa)


def test_a_tray_left_alone_goes_on_drying_at_its_own_pace() -> None:
    """Three more days at 0.1 kg/kPa and 1.168 kPa: what it has then lies on the same course."""
    hours = record()
    about = dryer(hours).about(8 * 24, 72)
    assert about is not None
    assert about[72] == pytest.approx(float(moisture_pct(np.array([4.0 - C * 1.168 * (8 * 24 + 71) / 24]))[0]), abs=0.1)


def test_a_watering_is_cut_out_noted_or_not() -> None:
    """Half a litre at noon of the fifth day: the coefficient is as without, though the tray is wetter than it was."""
    hours = record()
    wetter = hours.moisture_pct.copy()
    wetter[108:] += 5.0
    without = dryer(hours).coefficient(192)
    unnoted = dryer(replace(hours, moisture_pct=wetter))
    assert unnoted.coefficient(192) == pytest.approx(without, rel=0.2)
    stirred = hours.stirred.copy()
    stirred[108] = True
    assert np.array_equal(
        stretches(replace(hours, moisture_pct=wetter, stirred=stirred)), stretches(replace(hours, moisture_pct=wetter))
    )


def test_after_a_watering_nothing_is_said_until_the_water_has_spread() -> None:
    """Six hours to settle, three to know where it is."""
    hours = record()
    stirred = hours.stirred.copy()
    stirred[180] = True
    ready = dryer(replace(hours, stirred=stirred))
    assert ready.about(188, 24) is None
    assert ready.about(189, 24) is not None


def test_a_new_tray_foretells_nothing() -> None:
    """Five hours of drying say nothing of its pace."""
    assert dryer(record()).about(5, 24) is None


def test_little_record_is_held_back() -> None:
    """Half a day of drying is told with less than its full pace, a week with nearly all of it."""
    ready = dryer(record())
    short, long = ready.coefficient(12), ready.coefficient(192)
    assert short is not None
    assert long is not None
    assert 0.5 * C < short < 0.75 * C
    assert 0.95 * C < long <= C


def test_a_tray_that_gets_wetter_is_not_foretold_to() -> None:
    """Food gives off water for a while; nobody can say for how long, so it stays where it is."""
    ready = dryer(record(c=-0.02))
    about = ready.about(192, 72)
    assert about is not None
    assert about[72] == about[0]


def test_no_tray_is_foretold_drier_than_dry() -> None:
    """Fast drying ends at 0 %."""
    about = dryer(record(days=4, c=0.4)).about(96, 9 * 24)
    assert about is not None
    assert about[-1] == 0.0


@pytest.mark.parametrize(
    ("unknown", "assumed"),
    [
        (("humidity_pct",), (Assumed.HUMIDITY,)),
        (("room_c", "humidity_pct"), (Assumed.HUMIDITY, Assumed.ROOM)),
        (("bed_c",), (Assumed.BED,)),
        (("bed_c", "room_c", "humidity_pct"), (Assumed.HUMIDITY, Assumed.ROOM, Assumed.BED)),
        ((), ()),
    ],
)
def test_what_is_not_measured_is_assumed_and_said(unknown: tuple[str, ...], assumed: tuple[Assumed, ...]) -> None:
    """50 % of humidity, a room as warm as the bedding, bedding as warm as the room, and 20 degC where neither is
    known."""
    hours = record(1)
    nothing = np.full(24, np.nan)
    found = drive(replace(hours, **dict.fromkeys(unknown, nothing)))
    assert found.assumed == assumed
    assert found.kpa == pytest.approx(np.full(24, 1.168), rel=0.01)


def test_hours_without_a_reading_are_drawn_between_their_neighbours() -> None:
    """A room probe that was silent overnight does not stop the forecast."""
    hours = record(1)
    room = hours.room_c.copy()
    room[4:9] = np.nan
    assert drive(replace(hours, room_c=room)).kpa == pytest.approx(drive(hours).kpa)


def test_forecasts_that_would_have_been_made_are_held_against_what_came() -> None:
    """Each a few hours, at each horizon that has come, only of stretches nobody disturbed; a steady tray is foretold
    well."""
    ready = dryer(record(20))
    came = list(ready.came_out(480))
    assert {one.ahead for one in came} == set(HORIZONS_D)
    assert max(one.score for one in came[40:]) < 0.2
    assert all(one.known_ms < 480 for one in came)
    stirred = np.zeros(480, np.bool_)
    stirred[::24] = True
    daily = list(dryer(replace(record(20), stirred=stirred)).came_out(480))
    assert {one.ahead for one in daily} == {0.25, 0.5}


def test_a_record_without_any_moisture_says_nothing() -> None:
    """No stretch, no forecast, no error."""
    ready = dryer(record(2, moisture_pct=np.full(48, np.nan)))
    assert ready.about(48, 24) is None
    assert list(ready.came_out(48)) == []


def test_a_span_widens_with_how_far_ahead_it_lies() -> None:
    """On the prior: 1.36 times half a point now, and 0.7 points a day more; within 0 and 100 %."""
    path = spanned(np.linspace(90.0, 1.0, 73), ByHorizon(HORIZONS_D))
    assert path.high[0] - path.about[0] == pytest.approx(1.36 * scale_pct(0), rel=0.01)
    assert path.about[24] - path.low[24] == pytest.approx(1.36 * scale_pct(1), rel=0.01)
    assert path.low[-1] == 0.0


def test_shares_of_water_are_those_of_wet_basis() -> None:
    """80 % wet basis is 4 kg for each kg dry, and back; 100 % counts as 99 %."""
    assert water_share(np.array([80.0]))[0] == pytest.approx(4.0)
    assert moisture_pct(np.array([4.0]))[0] == pytest.approx(80.0)
    assert water_share(np.array([100.0]))[0] == pytest.approx(99.0)
