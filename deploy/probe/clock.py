"""The time of day, in whole seconds since 1970, and whether it can be believed.

Boards count from 2000 or from 1970, and start there when they get power: they have no clock of their own that runs
without it. Deep sleep and a reset by software keep the clock running.
"""

import time

SET_FROM_S = 1735689600
"""2025-01-01: a clock that shows less was never set."""
_YEAR_2000_S = 946684800


def now_s():
    # Whole seconds: numbers with a fraction are too coarse on the board to hold a date.
    return int(time.time()) + (_YEAR_2000_S if time.gmtime(0)[0] == 2000 else 0)


def is_set(t_s):
    return t_s >= SET_FROM_S


def ask_network(host):
    """Sets the clock by NTP and returns by how many seconds it moved. Raises OSError where nobody answers."""
    import ntptime

    if host:
        ntptime.host = host
    before, ticks = now_s(), time.ticks_ms()
    ntptime.settime()
    waited_s = time.ticks_diff(time.ticks_ms(), ticks) // 1000
    return now_s() - before - waited_s
