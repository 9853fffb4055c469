"""Time that passes only while the program waits; counted from 2000, as an ESP32 does."""

import utime
import world

_YEAR_2000_S = 946684800


def time():
    return world.clock_s() - _YEAR_2000_S


def gmtime(seconds):
    return utime.gmtime(seconds + _YEAR_2000_S)


def ticks_ms():
    return world.ms & 0x3FFFFFFF


def ticks_diff(later, earlier):
    return ((later - earlier + 0x20000000) & 0x3FFFFFFF) - 0x20000000


def sleep_ms(ms):
    world.pass_ms(ms)
