"""The room: school week, holidays, seasons, and weather on top."""

from dataclasses import replace

import pytest

from sim_sensors.physics import air, room, school
from sim_sensors.physics.room import Outside, Room, Weather
from sim_sensors.physics.school import School

MONDAY_MS = 1_772_409_600_000
"""2026-03-02T00:00Z, a Monday."""
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
SPEC = Room(day_c=21, night_c=17, humidity_pct=45)
SEASONS = replace(SPEC, outside=Outside(mean_c=10, season_c=9))
JULY_MS = MONDAY_MS + 140 * DAY_MS
"""2026-07-20, a Monday."""
JANUARY_MS = MONDAY_MS - 42 * DAY_MS
"""2026-01-19, a Monday."""


def test_room_follows_the_school_week() -> None:
    """School hours are Monday to Friday; nights and the weekend are set back."""
    lessons = [room.in_lessons(SPEC, MONDAY_MS + hour * HOUR_MS) for hour in range(168)]
    assert sum(lessons) == 5 * 9
    assert lessons[7]
    assert not lessons[6]
    assert not lessons[16]
    assert not any(lessons[120:])


def test_room_rhythm_shifts_with_the_labs_clock() -> None:
    """Five hours west of Greenwich school opens at 12 UTC."""
    spec = replace(SPEC, school=School(utc_offset_h=-5))
    assert not room.in_lessons(spec, MONDAY_MS + 11 * HOUR_MS)
    assert room.in_lessons(spec, MONDAY_MS + 12 * HOUR_MS)


def test_room_warms_in_lessons_and_cools_on_sunday() -> None:
    """By Friday afternoon the room is near its day temperature, by Sunday night near the other."""
    spec = replace(SPEC, swing_c=0)
    assert room.settled_c(spec, MONDAY_MS + (4 * 24 + 16) * HOUR_MS) == pytest.approx(21, abs=0.1)
    assert room.settled_c(spec, MONDAY_MS + (6 * 24 + 23) * HOUR_MS) == pytest.approx(17, abs=0.01)
    assert room.target_c(spec, MONDAY_MS) == 17


@pytest.mark.parametrize(
    ("days", "there"),
    [(-73, True), (-70, False), (-59, False), (-56, True), (0, True), (5, False), (25, True), (28, False), (32, False),
     (35, True)],
)  # fmt: skip
def test_school_days(days: int, there: bool) -> None:
    """Nobody comes from 21 December to 3 January, 30 March to 5 April, or on a Saturday (7 March 2026, day 5); the
    Fridays before and the Mondays after are school days."""
    lab = School(holidays=(((12, 21), (1, 3)), ((3, 30), (4, 5))))
    assert school.is_school_day(lab, school.local_day(lab, MONDAY_MS) + days) is there


def test_seasons_come_in_from_outside() -> None:
    """In January the heating holds the room and its air is drier than on the mean day; in July the room is as warm as
    outside and 3 degC more, and its air holds more."""
    plain = room.vapour_kpa(SPEC, MONDAY_MS)
    assert room.outside_c(Outside(10, 9), school.year_share(School(), JANUARY_MS)) == pytest.approx(1, abs=0.1)
    assert room.target_c(replace(SEASONS, swing_c=0), JANUARY_MS) == 17
    assert room.target_c(replace(SEASONS, swing_c=0), JULY_MS) == pytest.approx(22, abs=0.1)
    assert room.vapour_kpa(SEASONS, JANUARY_MS) < 0.8 * plain < 1.2 * plain < room.vapour_kpa(SEASONS, JULY_MS)


def test_winter_air_in_a_heated_room_is_what_schools_know() -> None:
    """With 45 %RH on the mean day, January's room is at 25-35 %RH and July's at 50-70 %RH (common practice, no
    source)."""
    winter = air.humidity_pct(21, room.vapour_kpa(SEASONS, JANUARY_MS))
    summer = air.humidity_pct(23, room.vapour_kpa(SEASONS, JULY_MS))
    assert 25 < winter < 35
    assert 50 < summer < 70


def test_weather_heat_and_cold() -> None:
    """A heat wave of 34 degC brings the room there in the afternoon and leaves it over 27 at night; with the heating
    off a night of frost takes it under 4 degC by morning where a window is open; without weather neither happens."""
    hot, cold = Weather(heat_c=34), Weather(cold_c=-3, cold_lag_h=4)
    temps, night = [21.0], [18.0]
    for quarter in range(3 * 96):
        temps.append(room.step(SPEC, temps[-1], MONDAY_MS + quarter * HOUR_MS // 4, 900, hot))
    for quarter in range(4 * 10):
        at_ms = MONDAY_MS + 20 * HOUR_MS + quarter * HOUR_MS // 4
        night.append(room.step(SPEC, night[-1], at_ms, 900, cold))
    assert 33 < max(temps[96:]) < 34
    assert 27 < min(temps[96:]) < 30
    assert -3 < night[-1] < 4


def test_holiday_and_dry_air() -> None:
    """With nobody there Monday noon is a night, without the vapour of a class; dry air is as dry as it says."""
    noon = MONDAY_MS + 12 * HOUR_MS
    away = Weather(nobody=True)
    assert room.in_lessons(SPEC, noon)
    assert not room.in_lessons(SPEC, noon, away)
    assert room.target_c(SPEC, noon) - room.target_c(SPEC, noon, away) == pytest.approx(4)
    assert room.vapour_kpa(SPEC, noon) - room.vapour_kpa(SPEC, noon, away) == pytest.approx(0.1)
    assert air.humidity_pct(21, room.vapour_kpa(SPEC, noon, Weather(humidity_pct=15))) == pytest.approx(15)


def test_air_never_holds_more_than_it_can() -> None:
    """Relative humidity ends at 100 %."""
    assert air.humidity_pct(5, air.vapour_kpa(25, 80)) == 100
    assert air.humidity_pct(20, air.vapour_kpa(20, 45)) == pytest.approx(45)
