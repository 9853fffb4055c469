"""The world around a simulated board: its clocks, what hangs on its wires, what is in reach.

`world.json` in the working folder, the board's flash, says how it is at the start. Time passes only while the program
waits. At `stop_at_s` seconds of it a line `@` is printed, and one line of JSON with changes is read from standard
input, `stop_at_s` among them; at its end the power is cut. What outlasts deep sleep goes through `asleep.json`.
"""

import json
import os
import sys

ASLEEP, RESET, STARVED = 7, 8, 9
"""How the program ended, for whoever started it: deep sleep, reset, watchdog."""

with open("world.json") as _file:
    now = json.load(_file)
ms = 0
clock_shift_s = now["clock_s"]
memory = b""
cause = 1
fed_ms = None
watchdog_ms = None

try:
    with open("asleep.json") as _file:
        _kept = json.load(_file)
    os.remove("asleep.json")
    ms, clock_shift_s, cause = _kept["ms"], _kept["clock_shift_s"], _kept["cause"]
    memory = bytes(_kept["memory"])
    now = _kept["now"]
except OSError:
    pass


def uptime_s():
    return ms // 1000


def clock_s():
    """What the board's clock shows, in seconds since 1970."""
    return clock_shift_s + uptime_s()


def true_s():
    return now["true_s"] + uptime_s()


def set_clock():
    global clock_shift_s
    clock_shift_s = now["true_s"]


def pass_ms(more):
    """Lets time pass, and stops where it is told to."""
    global ms
    end = ms + more
    while end >= now["stop_at_s"] * 1000:
        ms = max(ms, now["stop_at_s"] * 1000)
        _starve()
        print("@")
        line = sys.stdin.readline()
        if not line:
            sys.exit(0)
        now.update(json.loads(line))
    ms = end
    _starve()


def _starve():
    if watchdog_ms is not None and ms - fed_ms > watchdog_ms:
        print("the watchdog bit")
        sys.exit(STARVED)


def leave(code, cause, more_ms=0):
    pass_ms(more_ms)
    with open("asleep.json", "w") as file:
        kept = {"ms": ms, "clock_shift_s": clock_shift_s, "cause": cause, "memory": list(memory), "now": now}
        json.dump(kept, file)
    sys.exit(code)
