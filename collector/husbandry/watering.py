"""What is to be done about the water of one tray, from all that is known of its bin at one moment.

Alarm mails, the digest, what lies ahead and the page behind a link all ask here, so that no two of them, and no two
lines of one of them, can ask for opposite things. Moisture in % wet basis, masses in kg, water in litres.
"""

from dataclasses import dataclass
from enum import Enum

from collector.domain.squeeze import PROBE_BANDS, Feel
from collector.husbandry.bounds import A_DAY_L, PROBE_PCT, Known, bedding_step, level_range, mass_range, water_step

GOAL_PCT = 77.5
"""Middle of the comfortable band of bedding moisture, 70 to 85 % wet basis (Kaplan et al. 1980; Edwards 2004, table
18.3, has 80 to 90 as best). The one goal of all water that is told, in mails, the digest and before a break: with as
much room to either side as there is, no error of probe or mass does harm soon. Only a tray that would not come through
a break from there is left wetter, by as much as it will lose (`level_to_leave_at`)."""
NOT_ABOVE_PCT = 85.0
"""Where dry bedding is to bring a tray that is too wet: the top of that band. Its middle would take more of it than a
tray has room for."""
PORTION_L = 0.25
"""A cup. What was noted without an amount counts as one."""
SUMP_FULL_PCT = 75.0
"""From here on the shipped alarms say to stop watering (common practice, no source)."""
_DRY_PCT = 8.0
"""Moisture of shredded cardboard and newspaper, 5 to 8 % (Cornell Composting)."""
_WET_KG_PER_M2, _ASSUMED_PCT = 30.0, 75.0
"""Moist bedding on a square metre of a stacked tray: 5 kg on 0.165 m2, some 8 cm deep (common practice, no source)."""
_TRAY_M2 = 0.165
"""Stacked trays are about 40 cm square (common practice, no source)."""


class WaterVerdict(Enum):
    """What it comes to."""

    AS_WRITTEN = "as written"
    """No amount follows; what the alarm itself says may be done."""
    HAND_FIRST = "hand first"
    """Hand and probe, or two probes, disagree: squeeze a handful, and leave water and bedding as they are."""
    ENOUGH = "enough"
    """A hand has just found it damp or wet."""
    SUMP_FIRST = "sump first"
    DAY_FULL = "day full"
    """It had today what soaks in."""
    ADD_WATER = "add water"
    MIX_IN = "mix in"
    DRAIN = "drain"
    """So wet that its moisture says nothing of its mass: let it drain, and mix in a handful."""
    BY_HAND = "by hand"
    """The probe's count lies beyond its calibrated points: what it comes to is a guess, and no amount follows."""


_NO_WATER = (WaterVerdict.HAND_FIRST, WaterVerdict.ENOUGH, WaterVerdict.SUMP_FIRST, WaterVerdict.DAY_FULL)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayNow:
    """All that is known of a tray and its bin."""

    moisture_pct: float | None = None
    """By the newest usable reading; None where that is old."""
    probe_pct: float = PROBE_PCT
    """By how many points that may be off."""
    beyond_points: bool = False
    """Whether its count lies beyond the points that the probe was calibrated at."""
    feel: Feel | None = None
    """What a hand has found lately, and since the tray was last watered."""
    felt_ms: int | None = None
    doubted: bool = False
    """Whether an alarm stands that hand and probe disagree here."""
    dry_kg: float | None = None
    area_m2: float | None = None
    poured_l: float = 0.0
    """What it had today, as far as it was noted."""
    sump_pct: float | None = None
    sump_stands: bool = False
    """Whether an alarm about too much leachate stands at the bin."""
    fed: bool = True
    """Whether food goes into this tray; the others are nearly finished."""

    @property
    def mass_kg(self) -> float:
        """Dry mass of the bedding, guessed from the tray's size where it was not weighed."""
        if self.dry_kg is not None:
            return self.dry_kg
        area_m2 = _TRAY_M2 if self.area_m2 is None else self.area_m2
        return area_m2 * _WET_KG_PER_M2 * (1 - _ASSUMED_PCT / 100)

    def known(self, level_pct: float) -> Known:
        """The tray at this moisture, with how far it and its mass may be off."""
        return Known(
            level_pct=level_range(level_pct, self.probe_pct),
            dry_kg=mass_range(self.mass_kg, weighed=self.dry_kg is not None),
            beyond_points=self.beyond_points,
            hand_says_other=_disagree(self),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """What to do about one tray's water."""

    verdict: WaterVerdict
    today_l: float = 0.0
    """Water to add now, A_DAY_L at most with what it had already today."""
    total_l: float = 0.0
    """Water that it is thought to need in all; where that is more than `today_l` and not `look_again`, the rest is for
    the next days."""
    bedding_kg: float = 0.0
    """Dry bedding to mix in now; beside DRAIN a handful."""
    look_again: bool = False
    """Whether the amount is a first step, safe whatever the error of probe and mass: what is left follows from a
    reading after it."""
    day_full: bool = False
    """Whether with that it has had today what soaks in: the next step is for tomorrow."""
    estimated: bool = False
    """Whether the amount follows from a mass that nobody has weighed."""

    @property
    def forbids_water(self) -> bool:
        """Whether no water may be added now, whatever an alarm's own text says."""
        return self.verdict in _NO_WATER


_AS_WRITTEN, _HAND_FIRST, _BY_HAND = (
    Deed(verdict=verdict) for verdict in (WaterVerdict.AS_WRITTEN, WaterVerdict.HAND_FIRST, WaterVerdict.BY_HAND)
)


def about_dry(now: TrayNow, goal_pct: float = GOAL_PCT) -> Deed:
    """For a tray that is, or is getting, too dry; `goal_pct` is where its water is to bring it."""
    level = now.moisture_pct
    if _disagree(now) or (level is not None and level > NOT_ABOVE_PCT):
        return _HAND_FIRST
    if now.feel in (Feel.DAMP, Feel.WET):
        return Deed(verdict=WaterVerdict.ENOUGH)
    if now.sump_stands or (now.sump_pct is not None and now.sump_pct >= SUMP_FULL_PCT):
        return Deed(verdict=WaterVerdict.SUMP_FIRST)
    left_l = max(0.0, A_DAY_L - now.poured_l)
    if left_l < PORTION_L:
        return Deed(verdict=WaterVerdict.DAY_FULL)
    if level is None or now.beyond_points:
        return _AS_WRITTEN if level is None else _BY_HAND
    step = water_step(now.known(level), goal_pct, left_l)
    if step is None:
        return _AS_WRITTEN
    return Deed(
        verdict=WaterVerdict.ADD_WATER,
        today_l=step.now,
        total_l=step.needed,
        look_again=step.look_again,
        day_full=left_l - step.now < PORTION_L,
        estimated=now.dry_kg is None,
    )


def about_wet(now: TrayNow) -> Deed:
    """For a tray that is, or is getting, too wet."""
    level = now.moisture_pct
    if _disagree(now) or (level is not None and level < GOAL_PCT):
        return _HAND_FIRST
    if level is None or not now.fed:
        return _AS_WRITTEN
    if now.beyond_points:
        return _BY_HAND
    step = bedding_step(now.known(level), NOT_ABOVE_PCT, _DRY_PCT)
    if step is None:
        return _AS_WRITTEN
    return Deed(
        verdict=WaterVerdict.DRAIN if step.drain else WaterVerdict.MIX_IN,
        bedding_kg=step.now,
        look_again=step.look_again,
        estimated=now.dry_kg is None and not step.drain,
    )


def _disagree(now: TrayNow) -> bool:
    if now.doubted or now.feel is None or now.moisture_pct is None:
        return now.doubted
    low, high = PROBE_BANDS[now.feel]
    return not low <= now.moisture_pct <= high
