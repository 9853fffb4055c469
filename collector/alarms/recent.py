"""What an alarm remembers of its series: the readings of the last while, as columns that grow at one end and are
forgotten at the other. Its size is bounded by the time it covers."""

import numpy as np

from collector.alarms.chunk import Times, Values

_ROOM = 64


class Recent:
    """Times and values, increasing in time."""

    __slots__ = ("_end", "_start", "_t_ms", "_value")

    def __init__(self) -> None:
        self._t_ms: Times = np.empty(_ROOM, np.int64)
        self._value: Values = np.empty(_ROOM, np.float64)
        self._start = self._end = 0

    @property
    def t_ms(self) -> Times:
        """Times in ms, increasing."""
        return self._t_ms[self._start : self._end]

    @property
    def value(self) -> Values:
        """Values at these times, as many."""
        return self._value[self._start : self._end]

    def add(self, t_ms: Times, value: Values) -> None:
        """Readings newer than all here: times in ms, increasing, and as many values."""
        end = self._end + t_ms.size
        if end > self._t_ms.size:
            self._make_room(t_ms.size)
            end = self._end + t_ms.size
        self._t_ms[self._end : end], self._value[self._end : end] = t_ms, value
        self._end = end

    def _make_room(self, more: int) -> None:
        held_t, held_value = self.t_ms, self.value
        room = max(_ROOM, 2 * (held_t.size + more))
        t_ms, value = np.empty(room, np.int64), np.empty(room, np.float64)
        t_ms[: held_t.size], value[: held_t.size] = held_t, held_value
        self._t_ms, self._value = t_ms, value
        self._start, self._end = 0, held_t.size

    def forget(self, before_ms: int) -> None:
        """Let go of what is older."""
        self._start += int(self.t_ms.searchsorted(before_ms))
