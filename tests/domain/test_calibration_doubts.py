"""Calibrations that make a line and are hardly meant: each is told, and a sound one is not."""

import pytest

from collector.domain.calibration_doubts import calibration_doubts
from collector.domain.lab import Calibration, CalibrationPoint, Channel

DAY_MS = 86_400_000
NOW_MS = 20_000 * DAY_MS
WET, DRY = (1620.0, 84.0), (1950.0, 62.0)


def on(day: int, *points: tuple[float, float]) -> Calibration:
    return Calibration(NOW_MS + day * DAY_MS, tuple(CalibrationPoint(*point) for point in points))


def moisture(*sets: Calibration, unit: str = "count", model: str = "capacitive") -> Channel:
    return Channel(key="m", measure="bedding_moisture", unit=unit, name="m", model=model, calibrations=sets)


def warmth(unit: str, *points: tuple[float, float], measure: str = "bedding_temperature") -> Channel:
    return Channel(key="t", measure=measure, unit=unit, name="t", calibrations=(on(-1, *points),))


def said(channel: Channel, us: bool = False) -> list[tuple[int, str]]:
    return list(calibration_doubts(channel, NOW_MS, us))


def test_sound_calibrations_are_not_doubted() -> None:
    """One a year, also of today and of a day that has begun elsewhere; points well apart, in the unit of the probe."""
    assert said(moisture()) == []
    assert said(moisture(on(-400, WET, DRY), on(-30, DRY, (1790.0, 73.0), WET), on(1, WET, DRY))) == []
    assert said(warmth("Cel", (0.4, 0.0), (25.3, 25.0))) == []
    assert said(warmth("degF", (32.5, 0.0), (77.4, 25.0))) == []


def test_a_second_set_of_one_day_is_told() -> None:
    """At the later one: the earlier is never used."""
    assert said(moisture(on(-9, WET, DRY), on(-9, WET, DRY), on(-8, WET, DRY))) == [
        (1, "a set with this 'from' stands before it and is never used; take one out, or add a time of day")
    ]


def test_a_day_yet_to_come_is_told() -> None:
    """A slip in the year: till then readings are judged by another set."""
    assert said(moisture(on(-9, WET, DRY), on(365, WET, DRY))) == [
        (1, "holds from a day that is yet to come; is the year right?")
    ]


def test_points_a_flicker_apart_are_told() -> None:
    """One count apart is noise; so are two of three."""
    message = (
        "raw 1949 and 1950 are so close that noise alone tilts the line; measure one sample much drier, colder or"
        " weaker than the other"
    )
    assert said(moisture(on(-1, (1949.0, 84.0), DRY))) == [(0, message)]
    assert said(moisture(on(-1, WET, (1949.0, 63.0), DRY))) == [(0, message)]


def test_a_line_against_the_probe_is_told() -> None:
    """More counts are drier, for a capacitive probe; what another probe does nobody knows."""
    swapped = on(-1, (1620.0, 62.0), (1950.0, 84.0))
    ((index, message),) = said(moisture(swapped))
    assert index == 0
    assert message.startswith("runs the wrong way: a capacitive probe reads higher the drier")
    assert len(said(moisture(swapped, unit="mV"))) == 1
    assert said(moisture(swapped, model="generic")) == []
    assert said(moisture(on(-1, (20.0, 22.0), (70.0, 75.0)), unit="%")) == []


@pytest.mark.parametrize(
    ("us", "message"),
    [
        (False, "raw 0.1 degF is -17.7 °C, far from 0.0 °C"),
        (True, "raw 0.1 degF is 0.1 °F, far from 32.0 °F"),
    ],
)
def test_raw_readings_in_another_unit_than_the_probe_sends_are_told(us: bool, message: str) -> None:
    """Degrees Celsius typed for a probe that sends Fahrenheit: once a set, in the units of the lab."""
    assert said(warmth("degF", (0.1, 0.0), (25.2, 25.0)), us) == [
        (0, f"{message}; the raw reading goes in the unit that the probe sends (degF)")
    ]


def test_what_is_on_or_off_has_no_distance() -> None:
    """A pump that sends 0.2 for off."""
    pump = Channel(key="p", measure="air_pump", unit="/", name="p", calibrations=(on(-1, (0.2, 0.0), (0.9, 1.0)),))
    assert said(pump) == []
