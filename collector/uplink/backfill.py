"""A stretch of the journal sent again: after a change of lab or site tags, or into a new bucket. The position of the
running uplink stays as it is; what arrives twice changes nothing."""

import time
from collections.abc import Callable, Iterator
from itertools import islice
from typing import NamedTuple

from collector.store.line_protocol import LabTags
from collector.store.reader import Reader
from collector.uplink.follower import PORTION, deliver
from collector.uplink.points import lines_of
from collector.uplink.queue import Portion, SentReading, changes
from collector.uplink.writer import Later, Writer

_TRIES = 5
_WAIT_S = 3.0


class Filled(NamedTuple):
    lines: int
    refused: list[tuple[str, str]]
    """(reason, line)"""


def backfill(
    reader: Reader,
    writer: Writer,
    origin: LabTags,
    since_ms: int,
    until_ms: int,
    now: Callable[[], int],
    progress: Callable[[int, int], None] = lambda done, total: None,
    pause: Callable[[float], None] = time.sleep,
) -> Filled:
    """Changes first, then the readings in their order. Raises Later where the other end is away for long."""
    series = {stored.id: stored for stored in reader.series()}
    sent, refused = 0, []
    for portion in _portions(reader, since_ms, until_ms):
        lines = lines_of(portion, series, origin)
        refused += _patiently(lambda lines=lines: deliver(writer, lines, now()), pause)  # type: ignore[misc]
        sent += len(lines)
        if portion.readings:
            progress(portion.readings[-1].t_ms - since_ms, until_ms - since_ms)
    progress(1, 1)
    return Filled(sent - len(refused), refused)


def _portions(reader: Reader, since_ms: int, until_ms: int) -> Iterator[Portion]:
    found = changes(reader, since_ms, until_ms)
    yield Portion(alarms=found.alarms, diary=found.diary, brews=found.brews)
    rows = reader.readings(since_ms, until_ms)
    while chunk := tuple(SentReading(t, n, value, flag, raw) for t, n, value, flag, raw, _ in islice(rows, PORTION)):
        yield Portion(readings=chunk)


def _patiently(send: Callable[[], list[tuple[str, str]]], pause: Callable[[float], None]) -> list[tuple[str, str]]:
    for left in range(_TRIES - 1, -1, -1):
        try:
            return send()
        except Later as later:
            if not left:
                raise
            pause(_WAIT_S if later.after_s is None else min(later.after_s, 60.0))
    raise AssertionError  # the loop returns or raises
