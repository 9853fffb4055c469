"""One line about what a tray will come to."""

from collections.abc import Callable

from collector.domain.units import show_volume
from collector.husbandry.ahead import TrayAhead
from collector.husbandry.watering import PORTION_L, Deed, WaterVerdict
from collector.letters.advice import in_words, pct


def ahead_line(one: TrayAhead, when: Callable[[int], str], us_units: bool, said: bool = False) -> str:
    """'74 % now, 71 % to 73 % then; comes through', or what to do before leaving. `said`: that stands elsewhere in the
    same message, and is not said again."""
    if one.why_not:
        return f"cannot be foreseen: {one.why_not}"
    far_ms = one.seen_until_ms
    line = _told(one, "then" if far_ms is None else f"on {when(far_ms)}", when, us_units, said)
    if far_ms is None:
        return line
    return f"{line} Beyond that nothing can be foreseen: have somebody look at it by {when(far_ms)}."


def _told(one: TrayAhead, end: str, when: Callable[[int], str], us_units: bool, said: bool) -> str:
    line = f"{pct(one.level)} now"
    if one.at_end is not None:
        line += f", about {pct(one.at_end.about)} {end} (at worst {pct(one.at_end.low)})"
    if one.dry is not None:
        below = f"below {pct(one.dry.limit)}"
        line += f"; {below} already" if one.level <= one.dry.limit else f"; {below} from {when(one.dry.early_ms)} on"
    if one.deed is None:
        through = "Comes through" if one.seen_until_ms is None else "Comes through until then"
        return f"{line}. {through}." if one.dry is None else f"{line}. Somebody must water it meanwhile."
    act = "What to do is said above." if said else _act(one, one.deed, when, us_units)
    return f"{line}. {act}" + ("" if one.enough else " That is not enough: somebody must water it meanwhile.")


def _act(one: TrayAhead, deed: Deed, when: Callable[[int], str], us: bool) -> str:
    if one.now is not None and deed.forbids_water:
        words = in_words(deed, one.now, us, when, one.leave_at or 0.0)
        return words[0] if words is not None else ""
    if deed.verdict is not WaterVerdict.ADD_WATER:
        return f"Before you leave spray a cup of water (about {_cup(us)}) over the whole tray."
    guess = " (an estimate from its size)" if deed.estimated else ""
    today = f"Add about {show_volume(deed.today_l, us)}{guess}"
    if deed.total_l <= deed.today_l:
        return f"{today} before you leave, in portions over the whole tray, to about {pct(one.leave_at or 0.0)}."
    if one.days == 1:
        return f"{today} before you leave, in portions over the whole tray: more would run through."
    whole = f": {show_volume(deed.total_l, us)} in all before the break" if one.enough else ""
    return f"{today} today, in portions over the whole tray, and go on each school day{whole}."


def _cup(us: bool) -> str:
    return show_volume(PORTION_L, us) if us else f"{PORTION_L:g} L"
