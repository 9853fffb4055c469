"""One line about what a tray will come to."""

from collections.abc import Callable, Iterator, Sequence

from collector.domain.units import show_volume
from collector.husbandry.ahead import Dryness, TrayAhead
from collector.husbandry.drying import ASSUMED_HUMIDITY_PCT, Assumed
from collector.husbandry.watering import PORTION_L, Deed, WaterVerdict
from collector.letters.advice import in_words, pct

_ASSUMED = {
    Assumed.HUMIDITY: f"the room's humidity is not measured, {ASSUMED_HUMIDITY_PCT:.0f} % is assumed",
    Assumed.ROOM: "the room's temperature is not measured",
    Assumed.BED: "the bedding's temperature is not measured",
}
OFTEN = "8 of 10 times"


def ahead_line(tray: TrayAhead, when: Callable[[int], str], us_units: bool, said: bool = False) -> str:
    """'74 % now, 71 % to 73 % then; comes through', or what to do before leaving. `said`: that stands elsewhere in the
    same message, and is not said again."""
    if tray.why_not:
        return f"cannot be foreseen: {tray.why_not}"
    far_ms = tray.seen_until_ms
    line = _told(tray, "then" if far_ms is None else f"on {when(far_ms)}", when, us_units, said)
    return " ".join([line, *_how_sure(tray, when, "it")])


def comes_through(tray: TrayAhead) -> bool:
    """Whether nothing is to be done about it, and nothing is to be said but where it will be."""
    return tray.deed is None and tray.dry is None and tray.at_end is not None and not tray.why_not


def come_through(trays: Sequence[TrayAhead], when: Callable[[int], str]) -> str:
    """'4 trays come through, each between 70.0 % and 75.5 % then (8 of 10 times).' All are seen equally far, with the
    same assumed."""
    ends = [tray.at_end for tray in trays if tray.at_end is not None]
    low, high, far_ms = min(end.low for end in ends), max(end.high for end in ends), trays[0].seen_until_ms
    until = ("", "then") if far_ms is None else (" until then", f"on {when(far_ms)}")
    line = f"{len(trays)} trays come through{until[0]}, each between {pct(low)} and {pct(high)} {until[1]} ({OFTEN})."
    return " ".join([line, *_how_sure(trays[0], when, "them")])


def less_sure(assumed: Sequence[Assumed]) -> str:
    """What was taken for what nobody measures."""
    return f"Less sure, since {' and '.join(_ASSUMED[each] for each in assumed)}."


def _how_sure(tray: TrayAhead, when: Callable[[int], str], what: str) -> Iterator[str]:
    if tray.assumed:
        yield less_sure(tray.assumed)
    if tray.seen_until_ms is not None:
        yield f"Beyond that nothing can be foreseen: have somebody look at {what} by {when(tray.seen_until_ms)}."


def _told(tray: TrayAhead, end: str, when: Callable[[int], str], us_units: bool, said: bool) -> str:
    line = f"{pct(tray.level)} now"
    if tray.at_end is not None:
        low, high = pct(tray.at_end.low), pct(tray.at_end.high)
        line += f", about {pct(tray.at_end.about)} {end}, between {low} and {high} ({OFTEN})"
    if tray.dry is not None:
        line += f"; {_dry(tray.dry, tray.level, when)}"
    if tray.deed is None:
        through = "Comes through" if tray.seen_until_ms is None else "Comes through until then"
        return f"{line}. {through}." if tray.dry is None else f"{line}. Somebody must water it meanwhile."
    act = "What to do is said above." if said else _act(tray, tray.deed, when, us_units)
    return f"{line}. {act}" + ("" if tray.enough else " That is not enough: somebody must water it meanwhile.")


def _act(tray: TrayAhead, deed: Deed, when: Callable[[int], str], us: bool) -> str:
    if tray.now is not None and deed.forbids_water:
        words = in_words(deed, tray.now, us, when, tray.leave_at or 0.0)
        return words[0] if words is not None else ""
    if deed.verdict is not WaterVerdict.ADD_WATER:
        cup = f"spray a cup of water (about {_cup(us)}) over the whole tray"
        return f"Squeeze a handful from its middle before you leave: if no drop comes out, {cup}."
    guess = " (an estimate from its size)" if deed.estimated else ""
    today = f"Add about {show_volume(deed.today_l, us)}{guess}"
    if deed.look_again and not deed.day_full:
        return f"{today}, in portions over the whole tray, and look again in an hour before more is added."
    if deed.look_again and tray.days > 1:
        return (
            f"{today} today, in portions over the whole tray, and look again on each school day before more is added."
        )
    if deed.total_l <= deed.today_l:
        return f"{today} before you leave, in portions over the whole tray, to about {pct(tray.leave_at or 0.0)}."
    if tray.days == 1:
        return f"{today} before you leave, in portions over the whole tray: more would run through."
    whole = f": {show_volume(deed.total_l, us)} in all before the break" if tray.enough else ""
    return f"{today} today, in portions over the whole tray, and go on each school day{whole}."


def _cup(us: bool) -> str:
    return show_volume(PORTION_L, us) if us else f"{PORTION_L:g} L"


def _dry(dry: Dryness, level: float, when: Callable[[int], str]) -> str:
    """'below 60 % about Sunday 4:00, between Saturday 20:00 and Monday 2:00 (8 of 10 times)'."""
    below = f"below {pct(dry.limit)}"
    if level <= dry.limit:
        return f"{below} already"
    if dry.about_ms is None:
        return f"{below} perhaps, but not before {when(dry.early_ms)} (9 of 10 times)"
    if dry.late_ms is None:
        return f"{below} about {when(dry.about_ms)}, not before {when(dry.early_ms)} (9 of 10 times)"
    return f"{below} about {when(dry.about_ms)}, between {when(dry.early_ms)} and {when(dry.late_ms)} ({OFTEN})"
