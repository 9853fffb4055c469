"""Pins, converters, buses and power of a simulated board, as far as the probe uses them."""

import world

PWRON_RESET, SOFT_RESET, DEEPSLEEP_RESET = 1, 5, 4


def unique_id():
    return bytes.fromhex(world.now["mac"])


def reset_cause():
    return world.cause


def reset():
    world.leave(world.RESET, SOFT_RESET)


def deepsleep(ms):
    world.watchdog_ms = None
    world.leave(world.ASLEEP, DEEPSLEEP_RESET, ms)


class Pin:
    IN, OUT, PULL_UP = 1, 3, 2

    def __init__(self, number, mode=IN, pull=None):
        self.number = number

    def value(self, to=None):
        if to is not None:
            world.now["levels"][str(self.number)] = to
            if world.now.get("report_levels"):
                print("pin %d to %d" % (self.number, to))
        return world.now["levels"].get(str(self.number), 1)


class ADC:
    """`analog` of the world: microvolts by pin, or a list of them to go through again and again."""

    ATTN_11DB = 3

    def __init__(self, pin, atten=None):
        if str(pin.number) not in world.now["analog"]:
            raise ValueError("invalid Pin")
        self._pin, self._turn = str(pin.number), 0

    def read_uv(self):
        said = world.now["analog"][self._pin]
        if isinstance(said, list):
            self._turn += 1
            return said[self._turn % len(said)]
        return said

    def read_u16(self):
        return self.read_uv() * 65535 // 3300000


class SoftI2C:
    """`i2c` of the world: by address, the six octets that an SHT3x answers to a single measurement, in hex."""

    def __init__(self, scl, sda, freq):
        self._asked = None

    def writeto(self, address, octets):
        if str(address) not in world.now["i2c"]:
            raise OSError(19)
        self._asked = octets

    def readfrom(self, address, size):
        if self._asked != b"\x24\x00":
            raise OSError(19)
        return bytes.fromhex(world.now["i2c"][str(address)])[:size]


class RTC:
    def memory(self, octets=None):
        if octets is None:
            return world.memory
        if len(octets) > 2048:
            raise ValueError("buffer too long")
        world.memory = octets


class WDT:
    def __init__(self, timeout):
        world.watchdog_ms = timeout
        self.feed()

    def feed(self):
        world.fed_ms = world.ms
