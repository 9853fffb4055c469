"""A 1-wire bus with DS18B20 on it, at the level of resets and octets.

`one_wire` of the world: by pin, a list of probes: rom, raw (1/16 degC at the start), per_min (how much that rises),
config (octet of the resolution), bad (how many readings come with a wrong check sum), shorted (all zero).
A probe measures when it is told to; before that it says 85 degC, as after power-up. The check sum is computed bit by
bit from its polynomial (data sheet).
"""

import world


class OneWireError(Exception):
    pass


def crc8(octets):
    crc = 0
    for octet in octets:
        for _ in range(8):
            mixed = (crc ^ octet) & 1
            crc >>= 1
            octet >>= 1
            if mixed:
                crc ^= 0x8C
    return crc


class OneWire:
    def __init__(self, pin):
        self._pin = str(pin.number)
        self._chosen = None
        self._said = b""
        self._measured = {}

    def _probes(self):
        return world.now["one_wire"].get(self._pin, [])

    def reset(self, required=False):
        self._chosen, self._said = None, b""
        if required and not self._probes():
            raise OneWireError
        return bool(self._probes())

    def scan(self):
        return [bytearray(bytes.fromhex(probe["rom"])) for probe in self._probes()]

    def select_rom(self, rom):
        for probe in self._probes():
            if bytes.fromhex(probe["rom"]) == bytes(rom):
                self._chosen = probe

    def writebyte(self, octet):
        if self._chosen is None:
            return
        if octet == 0x44:
            risen = self._chosen.get("per_min", 0) * (world.uptime_s() // 60)
            self._measured[self._chosen["rom"]] = self._chosen["raw"] + risen
        if octet == 0xBE:
            self._said = self._scratchpad(self._chosen)

    def readinto(self, buffer):
        for place in range(len(buffer)):
            buffer[place] = self._said[place] if place < len(self._said) else 0xFF

    def crc8(self, octets):
        return crc8(octets)

    def _scratchpad(self, probe):
        if probe.get("shorted"):
            return bytes(9)
        raw = 0x0550 if probe.get("lost_power") else self._measured.get(probe["rom"], 0x0550)
        octets = bytes([raw & 0xFF, raw >> 8 & 0xFF, 0x4B, 0x46, probe.get("config", 0x7F), 0xFF, 0x0C, 0x10])
        bad = probe.get("bad", 0)
        probe["bad"] = max(0, bad - 1)
        return octets + bytes([crc8(octets) ^ (0x55 if bad else 0)])
