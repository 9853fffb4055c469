"""What each fault of the lab does at a moment."""

import pytest

from sim_sensors import faults
from sim_sensors.faults import Fault, Kind


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


def test_heat_lasts_until_the_pocket_is_spread() -> None:
    """A pocket heats while the fault lasts and no longer; without one there is no heat."""
    pocket = Fault(Kind.HEAT, "maple/middle", 0, 3_600_000, feed_kg=1.0, peak_after_ms=7_200_000)
    assert faults.pocket_w([pocket], 0) == 0
    assert faults.pocket_w([pocket], 3_500_000) > faults.pocket_w([pocket], 1_000_000) > 0
    assert faults.pocket_w([pocket], 3_600_000) == 0
    assert faults.pocket_w([fault(Kind.DRY_OUT)], 90_000) == 0


def test_pump_stop_stops_the_pump() -> None:
    """Off while the fault lasts."""
    assert faults.pump_stopped([fault(Kind.PUMP_STOP)], 90_000)
    assert not faults.pump_stopped([fault(Kind.PUMP_STOP)], 0)
    assert not faults.pump_stopped([fault(Kind.DRY_OUT)], 90_000)
