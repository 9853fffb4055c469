"""A time server that answers where the world has one: `ntp`."""

import errno

import world

host = "left as it ships"


def settime():
    if not world.now["ntp"]:
        raise OSError(errno.ETIMEDOUT)
    world.set_clock()
