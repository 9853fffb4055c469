"""What a start or other rules remember of what is stored: read once in order of time, and no more held than needed.

Quality checks look back furthest and keep a few numbers, however long their windows; alarms keep rows. A lab of 24
channels that report each second has 15 million rows in the week that the checks look back on.
"""

from collections import deque
from collections.abc import Collection, Mapping

import numpy as np

from collector.alarms.model import Newest
from collector.domain.quality import QualityMemory, memory_from_rows, no_memory
from collector.domain.readings import USABLE, Why
from collector.store.journal import Journal
from collector.store.tables.reading import NewestReading
from collector.store.tables.tails import Tail, joined

_USABLE = np.array(sorted(USABLE), np.uint8)
_UNCALIBRATED = np.uint16(Why.UNCALIBRATED)


class LookedBackOn:
    """One series: the newest judged reading, what quality checks remember, and the rows that alarms look back on."""

    def __init__(self, keep_ms: int) -> None:
        self._keep_ms = keep_ms
        self._parts: deque[Tail] = deque()
        self._usable: tuple[int, float] | None = None
        self.quality: QualityMemory = no_memory()

    def add(self, rows: Tail) -> None:
        """What follows; at least one row."""
        self.quality = memory_from_rows(rows.t_ms, rows.value, rows.flag, rows.why, self.quality)
        usable_at = np.flatnonzero(np.isin(rows.flag, _USABLE) & ((rows.why & _UNCALIBRATED) == 0))
        if usable_at.size:
            self._usable = int(rows.t_ms[usable_at[-1]]), float(rows.value[usable_at[-1]])
        self._parts.append(rows)
        from_ms = int(rows.t_ms[-1]) - self._keep_ms
        while int(self._parts[0].t_ms[-1]) < from_ms:
            self._parts.popleft()

    @property
    def newest(self) -> Newest:
        """The newest judged reading and the newest usable one."""
        t_ms = int(self._parts[-1].t_ms[-1])
        return Newest(t_ms) if self._usable is None else Newest(t_ms, *self._usable)

    def newest_reading(self, series: int) -> NewestReading:
        rows = self._parts[-1]
        value = float(rows.value[-1])
        return NewestReading(
            series=series,
            t_ms=int(rows.t_ms[-1]),
            value=None if np.isnan(value) else value,
            flag=int(rows.flag[-1]),
            why=int(rows.why[-1]),
        )

    def rows(self) -> Tail:
        """Those that alarms look back on; they are given away, and asked for once."""
        whole = joined(self._parts)
        self._parts.clear()
        return whole


def look_back(
    journal: Journal, series: Collection[int], since_ms: int, until_ms: int, keep_ms: int
) -> Mapping[int, LookedBackOn]:
    """By series, of those with judged readings from `since_ms` on, before `until_ms`. Rows reach back `keep_ms` from
    the newest."""
    found: dict[int, LookedBackOn] = {}
    for number, rows in journal.recent_pieces(series, since_ms, until_ms):
        found.setdefault(number, LookedBackOn(keep_ms)).add(rows)
    return found
