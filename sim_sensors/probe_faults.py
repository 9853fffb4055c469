"""What goes wrong with a probe, its battery, its radio or the gateway it talks to. The lab itself is not touched.

Times are milliseconds since the run began. What is drawn at random while a fault lasts comes from a stream of the
fault's own, so that readings before and after it, and those of all other probes, are the same without it.
"""

import math
import random
from dataclasses import dataclass
from enum import Enum

DAY_MS = 86_400_000

FLAT_V = 2.6
"""What a dying cell has come down to at the end, V."""
WEAK_V = 3.2
SILENT_V = 3.0
"""A radio on one lithium cell begins to fail below WEAK_V and is silent below SILENT_V (common practice, no source)."""


class Kind(Enum):
    UNPLUGGED = "unplugged"
    """The whole box: no power, so nothing is sent, and a reboot when it is plugged in again. One channel: its cable is
    off, so a DS18B20 gives -127, a capacitive probe full scale, and others no value at all."""
    STUCK = "stuck"
    """The last values are sent again and again, at new times."""
    SPIKE = "spike"
    """A share of the readings is off by up to `size` either way."""
    DRIFT = "drift"
    """The reading wanders off by `size` a day, from nothing when it begins."""
    SENTINEL = "sentinel"
    """The temperature is a number that means trouble: -127 no contact, 85 just powered up."""
    WRONG_CALIBRATION = "wrong_calibration"
    """The reading is `factor` times what it should be, plus `offset`."""
    IN_POCKET = "in_pocket"
    """The probe was pushed into the pocket of fresh feed: its temperature is that of the pocket."""
    DYING_BATTERY = "dying_battery"
    """The cell runs down to FLAT_V over the fault, taking the radio with it; then it is replaced."""
    FLAKY_RADIO = "flaky_radio"
    """A share of the messages is `lost`, a share `late` by up to `late_by_ms`, so that they overtake each other."""
    GATEWAY_OUTAGE = "gateway_outage"
    """Nothing gets through; what the probes measured meanwhile comes in a burst afterwards."""
    RADIO_GAPS = "radio_gaps"
    """Again and again nothing gets through for a while, which is lost: on average once in `every_ms`, half of the gaps
    shorter than `gap_ms` and one in twenty longer than five times that."""
    OUT_OF_BEDDING = "out_of_bedding"
    """The probe lies beside the bin and reads the room's air."""
    ELSEWHERE = "elsewhere"
    """The probe was put back at another spot of the same tray, which is `offset` degC and `size` points of moisture
    from the whole."""
    AIR_GAP = "air_gap"
    """Air comes between bedding and a capacitive probe: its reading goes `size` of the way to that of air, as a share,
    in a straight line over the fault."""
    REBOOTS = "reboots"
    """The box starts anew again and again, on average once in `every_ms`: readings are missed, and the first one of a
    DS18B20 after each start is 85."""


@dataclass(frozen=True, slots=True)
class ProbeFault:
    kind: Kind
    probe: str
    """Key of the probe."""
    place: str
    begin_ms: int
    end_ms: int
    channel: str = ""
    """The one channel it is about; empty: all it can be about."""
    value: float = -127.0
    """sentinel: what is sent, degC."""
    size: float = 0.0
    """spike: how far off; drift: how much a day. In the unit the probe measures in."""
    share: float = 0.0
    """spike: of the readings."""
    factor: float = 1.0
    offset: float = 0.0
    """wrong_calibration, in the unit the probe measures in."""
    lost: float = 0.0
    late: float = 0.0
    """flaky_radio: shares of the messages."""
    late_by_ms: int = 0
    every_ms: int = 21_600_000
    """reboots, radio_gaps: mean time between them."""
    gap_ms: int = 1_200_000
    """radio_gaps: half are shorter."""

    def active(self, elapsed_ms: int) -> bool:
        return self.begin_ms <= elapsed_ms < self.end_ms

    def concerns(self, channel: str) -> bool:
        if self.kind in _TEMPERATURE_ONLY:
            return channel.endswith("temperature")
        if self.kind is Kind.AIR_GAP:
            return channel == "moisture"
        if self.kind in _IN_BEDDING:
            return channel in ("temperature", "moisture")
        return self.channel in ("", channel)

    def stream(self, seed: int) -> random.Random:
        """Its own random numbers."""
        name = f"{seed}:{self.probe}:{self.kind.value}:{self.channel}:{self.begin_ms}"
        return random.Random(name)  # noqa: S311 - reproducible noise is the point; nothing secret hangs on it


_TEMPERATURE_ONLY = frozenset({Kind.SENTINEL, Kind.IN_POCKET})
_IN_BEDDING = frozenset({Kind.OUT_OF_BEDDING, Kind.ELSEWHERE})
HANDLED = _IN_BEDDING
"""What a hand does to a probe."""
_BLINDING = frozenset({Kind.UNPLUGGED, Kind.STUCK, Kind.SENTINEL, Kind.GATEWAY_OUTAGE, Kind.OUT_OF_BEDDING})


def blinds(fault: ProbeFault, elapsed_ms: int) -> bool:
    """Whether it keeps true readings away at this moment, so that the place goes unwatched."""
    if not fault.active(elapsed_ms):
        return False
    if fault.kind is Kind.DYING_BATTERY:
        return _run_down(fault, elapsed_ms) < SILENT_V
    return fault.kind in _BLINDING


AIR_COUNTS = 2800.0
"""A capacitive probe in air, on a 12-bit converter: hobby logs give 2500 to 3200 (common practice, no source);
on this calibration 5 % wet basis."""
AIR_PCT = 5.0
"""What AIR_COUNTS stand for, % wet basis."""
OUT_S = 240.0
"""Time in which a probe taken out comes 63 % of the way to air, and back: steel tubes and wet boards take some minutes
(common practice, no source)."""
LONGEST_GAP_MS = DAY_MS // 2
_GAP_SIGMA = 1.0


class Gaps:
    """When a radio with gaps is away. Asked at times that only go forward."""

    def __init__(self, fault: ProbeFault, draws: random.Random) -> None:
        self._fault, self._draws = fault, draws
        self._from_ms = self._until_ms = fault.begin_ms
        self._draw()

    def away(self, elapsed_ms: int) -> bool:
        while elapsed_ms >= self._until_ms:
            self._draw()
        return elapsed_ms >= self._from_ms

    def _draw(self) -> None:
        self._from_ms = self._until_ms + round(self._draws.expovariate(1 / self._fault.every_ms))
        length_ms = self._draws.lognormvariate(math.log(self._fault.gap_ms), _GAP_SIGMA)
        self._until_ms = self._from_ms + max(1, min(LONGEST_GAP_MS, round(length_ms)))


FULL_V = 3.95
PER_DAY_V = 0.0015
"""One lithium cell, nearly full, and what it loses a day (common practice, no source)."""


def battery_v(faults: tuple[ProbeFault, ...], elapsed_ms: int) -> float:
    """Voltage of the cell of a probe with these faults; a cell that has died is replaced at the end of the fault."""
    since_ms = elapsed_ms
    for fault in faults:
        if fault.kind is Kind.DYING_BATTERY:
            if fault.active(elapsed_ms):
                return _run_down(fault, elapsed_ms)
            if elapsed_ms >= fault.end_ms:
                since_ms = min(since_ms, elapsed_ms - fault.end_ms)
    return max(0.0, FULL_V - PER_DAY_V * since_ms / DAY_MS)


def _run_down(fault: ProbeFault, elapsed_ms: int) -> float:
    begin_v = max(SILENT_V, FULL_V - PER_DAY_V * fault.begin_ms / DAY_MS)
    return begin_v + (FLAT_V - begin_v) * passed(fault, elapsed_ms)


def bent(fault: ProbeFault, elapsed_ms: int, reading: float, draws: random.Random) -> float:
    """What becomes of a reading, in the unit the probe measures in, before it is cut to the probe's steps."""
    if fault.kind is Kind.SPIKE:
        hit, off = draws.random() < fault.share, draws.uniform(-fault.size, fault.size)
        return reading + off if hit else reading
    if fault.kind is Kind.DRIFT:
        return reading + fault.size * (elapsed_ms - fault.begin_ms) / DAY_MS
    if fault.kind is Kind.WRONG_CALIBRATION:
        return reading * fault.factor + fault.offset
    if fault.kind is Kind.AIR_GAP:
        return reading + fault.size * passed(fault, elapsed_ms) * (AIR_COUNTS - reading)
    return reading


def placed(fault: ProbeFault, channel: str, elapsed_ms: int, there: float, air: float) -> float:
    """The true value at a probe that somebody took out or put back elsewhere, in degC or % wet basis; it comes to the
    new one, and after it was put back to the old one, with OUT_S."""
    if fault.kind is Kind.ELSEWHERE:
        return there + (fault.size if channel == "moisture" else fault.offset) * fault.active(elapsed_ms)
    if elapsed_ms < fault.begin_ms:
        return there
    share = -math.expm1(-(min(elapsed_ms, fault.end_ms) - fault.begin_ms) / 1000 / OUT_S)
    share *= math.exp(-max(0, elapsed_ms - fault.end_ms) / 1000 / OUT_S)
    return there + share * (air - there)


def passed(fault: ProbeFault, elapsed_ms: int) -> float:
    """How much of it is over, 0 to 1."""
    return (elapsed_ms - fault.begin_ms) / (fault.end_ms - fault.begin_ms)


def cuts_power(fault: ProbeFault, volts: float) -> bool:
    """Whether an active fault leaves the whole box without power; its cell is at `volts`."""
    if fault.kind is Kind.DYING_BATTERY:
        return volts < SILENT_V
    return fault.kind is Kind.UNPLUGGED and not fault.channel


def loses(fault: ProbeFault, volts: float, draws: random.Random) -> bool:
    """Whether a message is lost for good to the radio or to a cell of `volts`."""
    if fault.kind is Kind.FLAKY_RADIO:
        return draws.random() < fault.lost
    if fault.kind is Kind.DYING_BATTERY:
        return draws.random() > (volts - SILENT_V) / (WEAK_V - SILENT_V)
    return False


def delay_ms(fault: ProbeFault, draws: random.Random) -> int:
    """How late a message that is not lost comes."""
    if fault.kind is not Kind.FLAKY_RADIO:
        return 0
    late, by_ms = draws.random() < fault.late, draws.randint(0, fault.late_by_ms)
    return by_ms if late else 0
