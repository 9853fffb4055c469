"""Joining the Wi-Fi."""

import time

import network
from trouble import Trouble, words

_WAIT_MS = 20000


def join(ssid, password, rest_ms):
    """Returns when the network is there; raises Trouble when it is not after 20 s. `rest_ms` waits."""
    wlan = network.WLAN(network.STA_IF)
    if wlan.isconnected():
        return
    try:
        wlan.active(True)
        wlan.disconnect()
        wlan.connect(ssid, password)
    except OSError as error:
        raise Trouble("Wi-Fi '%s': %s" % (ssid, words(error))) from None
    began = time.ticks_ms()
    while not wlan.isconnected():
        if time.ticks_diff(time.ticks_ms(), began) > _WAIT_MS:
            raise Trouble("Wi-Fi '%s': %s" % (ssid, _why(wlan.status())))
        rest_ms(200)


def leave():
    """Before deep sleep; it may never have been joined."""
    wlan = network.WLAN(network.STA_IF)
    try:
        wlan.disconnect()
        wlan.active(False)
    except OSError:
        pass


def _why(status):
    if status == getattr(network, "STAT_WRONG_PASSWORD", None):
        return "the password is not taken; see wifi.password"
    if status == getattr(network, "STAT_NO_AP_FOUND", None):
        return "no such network in reach; see wifi.ssid (only 2.4 GHz can be heard)"
    return "no answer within 20 s"
