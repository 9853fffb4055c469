"""What the digest says before a break: a line for each tray that needs hands, then one a bin for those that do not."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import replace

from collector.domain.lab import Lab
from collector.husbandry.ahead import TrayAhead
from collector.husbandry.drying import Assumed
from collector.letters.ahead_words import ahead_line, come_through, comes_through, less_sure
from collector.letters.plain import one_line


def ahead_lines(
    found: Sequence[TrayAhead], lab: Lab, when: Callable[[int], str], advised: Collection[str]
) -> Iterator[str]:
    """`advised`: the trays whose water the same message has spoken of. What is assumed of all is said once."""
    shared = _shared(found)
    through: dict[tuple[str, int | None, tuple[Assumed, ...]], list[TrayAhead]] = {}
    for one in found:
        own = replace(one, assumed=tuple(each for each in one.assumed if each not in shared))
        if comes_through(own):
            through.setdefault((lab.by_id[own.place].bin, own.seen_until_ms, own.assumed), []).append(own)
        else:
            yield _line(own, lab, when, advised)
    for (bin_, *_), trays in through.items():
        if len(trays) > 1:
            yield f"{_label(bin_, lab)}: {come_through(trays, when)}"
        else:
            yield _line(trays[0], lab, when, advised)
    if shared:
        yield less_sure(shared)


def _shared(found: Sequence[TrayAhead]) -> list[Assumed]:
    seen = [one.assumed for one in found if not one.why_not]
    return [each for each in seen[0] if all(each in other for other in seen)] if len(seen) > 1 else []


def _line(one: TrayAhead, lab: Lab, when: Callable[[int], str], advised: Collection[str]) -> str:
    return f"{_label(one.place, lab)}: {ahead_line(one, when, lab.us_units, one.place in advised)}"


def _label(place: str, lab: Lab) -> str:
    known = lab.by_id.get(place)
    return one_line(known.label) if known is not None else one_line(place)
