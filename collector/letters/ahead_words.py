"""One line about what a tray will come to."""

from collections.abc import Callable

from collector.domain.units import show_value, show_volume
from collector.husbandry.ahead import TrayAhead


def ahead_line(one: TrayAhead, when: Callable[[int], str], us_units: bool) -> str:
    """'74 % now, 71 % to 73 % then; comes through', or what to do before leaving."""
    if one.why_not:
        return f"cannot be foreseen: {one.why_not}"
    far_ms = one.seen_until_ms
    line = _told(one, "then" if far_ms is None else f"on {when(far_ms)}", when, us_units)
    if far_ms is None:
        return line
    return f"{line} Beyond that nothing can be foreseen: have somebody look at it by {when(far_ms)}."


def _told(one: TrayAhead, end: str, when: Callable[[int], str], us_units: bool) -> str:
    line = f"{_pct(one.level)} now"
    if one.at_end is not None:
        line += f", about {_pct(one.at_end.about)} {end} (at worst {_pct(one.at_end.low)})"
    if one.dry is not None:
        below = f"below {_pct(one.dry.limit)}"
        line += f"; {below} already" if one.level <= one.dry.limit else f"; {below} from {when(one.dry.early_ms)} on"
    if one.leave_at is None:
        through = "Comes through" if one.seen_until_ms is None else "Comes through until then"
        return f"{line}. {through}." if one.dry is None else f"{line}. Somebody must water it meanwhile."
    how = f"add about {show_volume(one.water_l, us_units)}" if one.water_l is not None else "water it"
    line += f". Before you leave {how}, in portions over the whole tray, to about {_pct(one.leave_at)}"
    return line + ("." if one.enough else "; that is not enough: somebody must water it meanwhile.")


def _pct(value: float) -> str:
    return show_value("bedding_moisture", value)
