"""Wi-Fi that is there or not: `wifi` of the world is true, or the state that the board tells."""

import world

STA_IF = 0
STAT_WRONG_PASSWORD, STAT_NO_AP_FOUND = 202, 201


class WLAN:
    asked = None

    def __init__(self, interface):
        pass

    def active(self, to=None):
        return True

    def disconnect(self):
        WLAN.asked = None

    def connect(self, ssid, password):
        WLAN.asked = (ssid, password)

    def isconnected(self):
        return WLAN.asked is not None and world.now["wifi"] is True

    def status(self):
        return world.now["wifi"] or 0
