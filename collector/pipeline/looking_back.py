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
from collector.pipeline.lifted import Spells
from collector.store.journal import Journal
from collector.store.tables.reading import NewestReading
from collector.store.tables.tails import Tail, joined

_USABLE = np.array(sorted(USABLE), np.uint8)
_UNCALIBRATED, _OUT = np.uint16(Why.UNCALIBRATED), np.uint16(Why.NOT_THE_BEDDING)


class LookedBackOn:
    """One series: the newest judged reading, what quality checks remember, and the rows that alarms look back on."""

    def __init__(self, keep_ms: int) -> None:
        self._keep_ms = keep_ms
        self._parts: deque[Tail] = deque()
        self._heard_ms: int | None = None
        self._usable: float | None = None
        self.quality: QualityMemory = no_memory()
        self.spells = Spells()

    def add(self, rows: Tail) -> None:
        """What follows; at least one row."""
        self.quality = memory_from_rows(rows.t_ms, rows.value, rows.flag, rows.why, self.quality)
        self.spells.remember(rows.t_ms, rows.flag, rows.why)
        usable = np.isin(rows.flag, _USABLE) & ((rows.why & _UNCALIBRATED) == 0)
        usable_at, heard_at = np.flatnonzero(usable), np.flatnonzero(usable | ((rows.why & _OUT) != 0))
        if usable_at.size:
            self._usable = float(rows.value[usable_at[-1]])
        if heard_at.size:
            self._heard_ms = int(rows.t_ms[heard_at[-1]])
        self._parts.append(rows)
        from_ms = int(rows.t_ms[-1]) - self._keep_ms
        while int(self._parts[0].t_ms[-1]) < from_ms:
            self._parts.popleft()

    @property
    def newest(self) -> Newest:
        """The newest judged reading and the newest usable one."""
        return Newest(int(self._parts[-1].t_ms[-1]), self._heard_ms, self._usable)

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
