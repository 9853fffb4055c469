"""What each fault does at a moment."""

import pytest

from sim_sensors import faults
from sim_sensors.faults import Fault, Kind
from sim_sensors.probes import Sample

NOW: Sample = {"temperature": 21.5, "moisture": 1800, "battery": 3.05}
BEFORE: Sample = {"temperature": 21.0, "moisture": 1790, "battery": 3.06}


def fault(kind: Kind, **more: float) -> Fault:
    return Fault(kind, "juniper/top", 60_000, 120_000, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("elapsed_ms", "active"), [(59_999, False), (60_000, True), (119_999, True), (120_000, False)])
def test_a_fault_lasts_from_its_beginning_up_to_its_end(elapsed_ms: int, active: bool) -> None:
    """The first moment belongs to the fault, the last does not."""
    assert fault(Kind.DROPOUT).active(elapsed_ms) is active


def test_dropout_sends_nothing() -> None:
    """A probe that dropped out is silent, and before and after it is not."""
    broken = [fault(Kind.DROPOUT)]
    assert faults.sent(broken, 90_000, NOW, BEFORE) is None
    assert faults.sent(broken, 0, NOW, BEFORE) == NOW
    assert faults.sent(broken, 120_000, NOW, BEFORE) == NOW


@pytest.mark.parametrize("value", [-127.0, 85.0])
def test_sentinel_replaces_the_temperature_only(value: float) -> None:
    """The wire to the temperature probe is off; the other channels go on."""
    assert faults.sent([fault(Kind.SENTINEL, value=value)], 90_000, NOW, BEFORE) == {**NOW, "temperature": value}


def test_stuck_repeats_what_was_sent_last() -> None:
    """A stuck probe repeats itself; one that never sent anything has nothing to repeat."""
    assert faults.sent([fault(Kind.STUCK)], 90_000, NOW, BEFORE) == BEFORE
    assert faults.sent([fault(Kind.STUCK)], 90_000, NOW, None) == NOW


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
    assert not faults.pump_stopped([fault(Kind.DROPOUT)], 90_000)
