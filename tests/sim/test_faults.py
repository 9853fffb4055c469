"""What each fault of the lab does at a moment."""

import pytest

from sim_sensors import faults
from sim_sensors.faults import Fault, Kind
from sim_sensors.physics.room import CALM, Weather


def fault(kind: Kind, **more: float) -> Fault:
    return Fault(kind, "juniper/top", 60_000, 120_000, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("elapsed_ms", "active"), [(59_999, False), (60_000, True), (119_999, True), (120_000, False)])
def test_a_fault_lasts_from_its_beginning_up_to_its_end(elapsed_ms: int, active: bool) -> None:
    """The first moment belongs to the fault, the last does not."""
    assert fault(Kind.DRY_OUT).active(elapsed_ms) is active


def test_dry_out_takes_the_lid_off_for_a_while() -> None:
    """While it lasts the tray dries as the fault says, then as its lid lets it."""
    broken = [fault(Kind.DRY_OUT, lid=1.0, speed_m_s=2.0)]
    assert faults.exposure(broken, 90_000, 0.08) == (1.0, 2.0)
    assert faults.exposure(broken, 120_000, 0.08) == (0.08, 0.0)


def test_pump_stop_stops_the_pump() -> None:
    """Off while the fault lasts."""
    assert faults.pump_stopped([fault(Kind.PUMP_STOP)], 90_000)
    assert not faults.pump_stopped([fault(Kind.PUMP_STOP)], 0)
    assert not faults.pump_stopped([fault(Kind.DRY_OUT)], 90_000)


def test_a_weak_pump_gives_less_and_less_and_then_all_again() -> None:
    """Its air falls in a straight line to the share at the end; afterwards it is mended."""
    weak = [fault(Kind.PUMP_WEAK, strength=0.2), fault(Kind.DRY_OUT)]
    shares = [faults.pump_strength(weak, t) for t in (0, 60_000, 90_000, 119_999, 120_000)]
    assert shares == pytest.approx([1, 1, 0.6, 0.2, 1], abs=1e-4)


def test_a_drain_is_blocked_while_it_is() -> None:
    """And open again afterwards."""
    assert faults.drain_blocked([fault(Kind.DRAIN_BLOCKED)], 90_000)
    assert not faults.drain_blocked([fault(Kind.DRAIN_BLOCKED)], 120_000)


def test_weather_is_made_of_the_rooms_faults() -> None:
    """Each kind adds its part, and nothing is left of it when they end."""
    room = [
        fault(Kind.HOLIDAY), fault(Kind.HEAT_WAVE, temp_c=34), fault(Kind.HEATING_OFF, temp_c=-2, lag_h=6),
        fault(Kind.DRY_AIR, humidity_pct=15),
    ]  # fmt: skip
    assert faults.weather(room, 90_000) == Weather(True, 34, -2, 6, 15)
    assert faults.weather(room[:1], 90_000) == Weather(nobody=True)
    assert faults.weather(room, 120_000) is CALM
