"""What to do about the water of a tray, in words; what it comes to `collector.husbandry.watering` says. Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol
from zoneinfo import ZoneInfo

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.table import direction, kind_of
from collector.alarms.model import Rule
from collector.domain.lab import Lab, Series
from collector.domain.units import show_mass, show_value, show_volume
from collector.husbandry.bounds import A_DAY_L
from collector.husbandry.watering import (
    GOAL_PCT,
    NOT_ABOVE_PCT,
    Deed,
    TrayNow,
    WaterVerdict,
    about_dry,
    about_wet,
)
from collector.letters.local_time import clock_time


class Trays(Protocol):
    """What advice follows from; part of `LetterFacts`."""

    @property
    def lab(self) -> Lab:
        """The lab the places are of."""
        ...

    def tray_now(self, place: str, now_ms: int) -> TrayNow | None:
        """All that is known of a tray; None where the place is none."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayAdvice:
    """What to do about a tray, and how, a sentence or more each."""

    act: str
    how: str
    deed: Deed
    instead: bool
    """Whether it stands in place of what the alarm's own text says, which would have water or paper added."""


def advice(rule: Rule, series: Series, facts: Trays, now_ms: int, goal_pct: float = GOAL_PCT) -> TrayAdvice | None:
    """For an alarm about the moisture of a tray; None where its own text says all there is."""
    dry = too_dry(rule, series.measure)
    now = facts.tray_now(series.place, now_ms) if dry is not None else None
    if now is None:
        return None
    deed = about_dry(now, goal_pct) if dry else about_wet(now)
    zone = ZoneInfo(facts.lab.time_zone)
    words = in_words(deed, now, facts.lab.us_units, lambda ms: clock_time(ms, zone, now_ms), goal_pct)
    if words is None:
        return None
    return TrayAdvice(act=words[0], how=words[1], deed=deed, instead=deed.forbids_water and _waters(rule))


def _waters(rule: Rule) -> bool:
    """Whether the alarm's own text may say to add water: not of what only changes fast, which has another cause."""
    kind = kind_of(rule)
    return kind.about is not About.COURSE or kind.foresees


def in_words(
    deed: Deed, now: TrayNow, us_units: bool, when: Callable[[int], str], goal_pct: float
) -> tuple[str, str] | None:
    """The act and how it is done; None where there is none."""
    match deed.verdict:
        case WaterVerdict.AS_WRITTEN:
            return None
        case WaterVerdict.HAND_FIRST:
            return _hand_first(now, when)
        case WaterVerdict.ENOUGH:
            return (
                f"Add no water now: {_felt(now, when)}.",
                "Lay the damp blanket back on, and squeeze a handful again tomorrow.",
            )
        case WaterVerdict.SUMP_FIRST:
            return _sump_first(now)
        case WaterVerdict.DAY_FULL:
            return (
                f"Add no more water today: {show_volume(now.poured_l, us_units)} was noted.",
                f"More than {show_volume(A_DAY_L, us_units)} a day runs through. Squeeze a handful tomorrow.",
            )
        case WaterVerdict.ADD_WATER:
            return _add_water(deed, now, us_units, goal_pct)
        case WaterVerdict.MIX_IN:
            return _mix_in(deed, now, us_units)
        case WaterVerdict.DRAIN:
            return _drain(deed)
    return (
        "Squeeze a handful from the middle first: the probe is beyond the points that it was calibrated at.",
        "No amount follows from what it says; go by what the hand feels.",
    )


def _hand_first(now: TrayNow, when: Callable[[int], str]) -> tuple[str, str]:
    said = [] if now.feel is None else [_felt(now, when)]
    said += [] if now.moisture_pct is None else [f"the probe says {pct(now.moisture_pct)}"]
    told = ", ".join(said)
    return (
        "Squeeze a handful right beside the probe, before anything is added" + (f": {told}." if told else "."),
        "No amount is given until hand and probe agree. If the hand stands by it, push the probe in anew, in the middle"
        " of the bedding. Note it: traywarden diary add squeeze.",
    )


def _felt(now: TrayNow, when: Callable[[int], str]) -> str:
    return f"a hand found it {now.feel} at {when(now.felt_ms or 0)}"


def _sump_first(now: TrayNow) -> tuple[str, str]:
    level = "" if now.sump_pct is None else f", which is at {show_value('leachate_level', now.sump_pct)}"
    return (
        f"Add no water yet: first empty the sump{level}, and see that the drain runs.",
        "Water that stands in the sump has run past the bedding. If water has reached a plug or a power strip, leave it"
        " alone and have the circuit switched off first. Then squeeze a handful from the middle of the tray.",
    )


def _add_water(deed: Deed, now: TrayNow, us: bool, goal_pct: float) -> tuple[str, str]:
    today, longer = show_volume(deed.today_l, us), deed.total_l > deed.today_l
    more = " more" if now.poured_l > 0.0 else ""
    first, on_the_day = ("First add", "") if deed.look_again else ("Add", " today" if longer else "")
    return (
        f"{first} about {today}{more} of water over the whole tray{on_the_day}, a cup at a time.",
        f"{_comes_to(deed, now, us, goal_pct)} {_how_sure(deed, now)}",
    )


def _comes_to(deed: Deed, now: TrayNow, us: bool, goal_pct: float) -> str:
    level = now.moisture_pct if now.moisture_pct is not None else goal_pct
    if deed.look_again:
        again = "tomorrow" if deed.day_full else "in an hour"
        return f"{_MORE_MAY_HARM} {again}. The way is from {pct(level)} to about {pct(goal_pct)}."
    if deed.total_l <= deed.today_l:
        return f"That takes it from {pct(level)} to about {pct(goal_pct)}."
    whole = show_volume(deed.total_l, us)
    return f"It takes about {whole} in all from {pct(level)} to about {pct(goal_pct)}, the rest of it on the next days."


def _mix_in(deed: Deed, now: TrayNow, us: bool) -> tuple[str, str]:
    level = now.moisture_pct if now.moisture_pct is not None else NOT_ABOVE_PCT
    first, way = (
        ("First mix in", f"{_MORE_MAY_HARM} in an hour. The way is") if deed.look_again else ("Mix in", "That takes it")
    )
    return (
        f"{first} about {show_mass(deed.bedding_kg, us)} of dry shredded cardboard or newspaper over the whole tray.",
        f"{way} from {pct(level)} to about {pct(NOT_ABOVE_PCT)}. Add no water. {_NO_PAPER} {_how_sure(deed, now)}",
    )


def _drain(deed: Deed) -> tuple[str, str]:
    handful = ", then mix in a handful of dry shredded cardboard or newspaper" if deed.bedding_kg else ""
    return (
        f"Let the tray drain first{handful}.",
        "It is so wet that nobody can say how much dry bedding it takes. Squeeze a handful again after an hour: as long"
        f" as it drips, let it drain on. Add no water. {_NO_PAPER}",
    )


_MORE_MAY_HARM = "That much is safe, and more at once may be too much: look again"
_GUESSED = "This is an estimate from the size of the tray: nobody has weighed its bedding."
_NO_PAPER = "Nearly finished castings get no paper: let them drain, or harvest them."


def _how_sure(deed: Deed, now: TrayNow) -> str:
    """How far the amount may be off."""
    probe = f"The probe is taken to be right within {now.probe_pct:.0f} points."
    return f"{probe} {_GUESSED}" if deed.estimated else probe


def too_dry(rule: Rule, measure: str) -> bool | None:
    """Whether an alarm says that a tray is, or is getting, too dry. False: too wet. None: neither."""
    if measure != "bedding_moisture":
        return None
    return direction(rule) < 0 if kind_of(rule).about in (About.LEVEL, About.COURSE) else None


def pct(value: float) -> str:
    """A moisture as people read it."""
    return show_value("bedding_moisture", value)
