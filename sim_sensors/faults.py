"""What goes wrong with the lab itself; `probe_faults` has what goes wrong with a probe. A fault is a value; functions
say what it does at a moment.

Times are milliseconds since the run began. Faults begin and end on the steps of the run.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from sim_sensors.physics import tray


class Kind(Enum):
    DRY_OUT = "dry_out"
    """Lid and blanket off, perhaps in a draught: the tray dries faster."""
    HEAT = "heat"
    """Far too much fresh feed in one pocket: it heats."""
    PUMP_STOP = "pump_stop"
    """The air pump is off."""


@dataclass(frozen=True, slots=True)
class Fault:
    kind: Kind
    place: str
    begin_ms: int
    end_ms: int
    lid: float = 1.0
    """dry_out: drying as a share of the open tray."""
    speed_m_s: float = 0.0
    """dry_out: air speed over the bedding."""
    feed_kg: float = 0.0
    """heat: fresh feed put in when it begins."""
    peak_after_ms: int = 0
    """heat: when its heat is greatest, counted from when it begins."""

    def active(self, elapsed_ms: int) -> bool:
        return self.begin_ms <= elapsed_ms < self.end_ms


def exposure(faults: Sequence[Fault], elapsed_ms: int, lid: float) -> tuple[float, float]:
    """(lid factor, air speed m/s) of a tray whose lid factor is `lid` when nothing is wrong."""
    open_ones = [f for f in faults if f.kind is Kind.DRY_OUT and f.active(elapsed_ms)]
    return max((f.lid for f in open_ones), default=lid), max((f.speed_m_s for f in open_ones), default=0.0)


def pocket_w(faults: Sequence[Fault], elapsed_ms: int) -> float:
    """Heat of the pockets in a tray, W. When the fault ends the pocket has been spread out and heats no more."""
    return sum(
        tray.feed_power_w(f.feed_kg, (elapsed_ms - f.begin_ms) / 1000, f.peak_after_ms / 1000)
        for f in faults
        if f.kind is Kind.HEAT and f.active(elapsed_ms)
    )


def pump_stopped(faults: Sequence[Fault], elapsed_ms: int) -> bool:
    return any(f.kind is Kind.PUMP_STOP and f.active(elapsed_ms) for f in faults)
