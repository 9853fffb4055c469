"""A lab of many probes: what building its alarms costs grows with their number, not with their pairs."""

import sys
from types import FrameType
from typing import Any

from collector.alarms.engine import Engine
from collector.alarms.model import Link
from collector.alarms.start import Kept, Running, Site
from tests.alarms.shipped_sets import RULES
from tests.worlds import values

_BIN = values.bin_of("juniper")


def _lines(number: int) -> int:
    """How many lines of ours a start runs, with so many probes of Juniper's trays: the same on any machine."""
    trays = [_BIN[1 + n % 3].id for n in range(number)]
    probes = (values.probe(f"p-{n}", place, values.TEMPERATURE) for n, place in enumerate(trays))
    lab = values.lab(places=(values.ROOM, *_BIN), probes=tuple(probes))
    series = [values.series(n, place=place, probe=f"p-{n}", channel="t") for n, place in enumerate(trays)]
    whole = [values.series(number + n, "", place, probe=f"p-{n}", channel="") for n, place in enumerate(trays)]
    whole.append(values.series(2 * number, "", "juniper", channel=""))
    counted = 0

    def count(frame: FrameType, event: str, _argument: Any) -> Any:
        nonlocal counted
        counted += event == "line" and "/collector/" in frame.f_code.co_filename
        return count

    before = sys.gettrace()
    sys.settrace(count)
    try:
        Engine(tuple(RULES.values()), Site(lab, [*series, *whole], {}), Kept(), Running(Link(False, 0)))
    finally:
        sys.settrace(before)
    return counted


def test_four_times_the_probes_are_four_times_the_work() -> None:
    """Of the rules that ship; all probes in one bin, which is the worst case."""
    assert _lines(160) < 5 * _lines(40)
