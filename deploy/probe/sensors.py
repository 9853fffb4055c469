"""The probes on the wires. Each sensor has `read()`: a list of SenML records, or Trouble in one line.

What a sensor says is sent as it is, odd values too (a DS18B20 says 85 degC after power-up; a loose capacitive probe 0
or 4095): the collector judges. Where a sensor says nothing, or its check sum is wrong, nothing is sent.
"""

import time

import onewire
import senml
from machine import ADC, Pin, SoftI2C
from trouble import Trouble, words

_TRIES = 3


def _three_times(read):
    """Check sums fail now and then on long wires; one that fails three times is told."""
    for turn in range(_TRIES):
        try:
            return read()
        except Trouble:
            if turn == _TRIES - 1:
                raise


class Ds18b20:
    """Temperature by 1-wire. Data sheet: scratchpad of nine octets, 1/16 degC, up to 750 ms to measure."""

    def __init__(self, pin, name="temperature", rom=None):
        self._pin, self._name, self._rom = pin, name, rom
        self._bus = onewire.OneWire(Pin(pin))

    def read(self):
        return _three_times(self._read)

    def _read(self):
        try:
            rom = self._choose()
            self._say(rom, 0x44)
            time.sleep_ms(750)
            self._say(rom, 0xBE)
            scratchpad = bytearray(9)
            self._bus.readinto(scratchpad)
        except onewire.OneWireError:
            raise Trouble(self._silent()) from None
        if not any(scratchpad) or self._bus.crc8(scratchpad):
            raise Trouble("DS18B20 on pin %d: check sum wrong; see its wires and the resistor" % self._pin)
        return [senml.number(self._name, "Cel", _sixteenths(scratchpad) * 625, 4)]

    def _say(self, rom, command):
        self._bus.reset(True)
        self._bus.select_rom(rom)
        self._bus.writebyte(command)

    def _choose(self):
        found = [bytes(rom) for rom in self._bus.scan() if rom[0] == 0x28]
        names = [_hex(rom) for rom in found]
        if self._rom is not None:
            if self._rom not in names:
                seen = "; found %s" % ", ".join(names) if names else ""
                raise Trouble("no DS18B20 %s on pin %d%s" % (self._rom, self._pin, seen))
            return found[names.index(self._rom)]
        if not found:
            raise Trouble(self._silent())
        if len(found) > 1:
            raise Trouble("several DS18B20 on pin %d: give each a 'rom': %s" % (self._pin, ", ".join(names)))
        return found[0]

    def _silent(self):
        return "no DS18B20 answers on pin %d; see its three wires and the 4.7 kOhm resistor" % self._pin


def _hex(rom):
    return "".join("%02x" % octet for octet in rom)


def _sixteenths(scratchpad):
    """Two's complement; at less than 12 bit the low bits mean nothing and are left out."""
    raw = scratchpad[0] | scratchpad[1] << 8
    raw &= ~((1 << (3 - (scratchpad[4] >> 5 & 3))) - 1)
    return raw - 65536 if raw & 0x8000 else raw


class Capacitive:
    """Moisture as a raw count of 12 bit: the mean of five medians of nine, since Wi-Fi disturbs single samples."""

    def __init__(self, pin, name="moisture"):
        self._name = name
        self._adc = _adc(pin)

    def read(self):
        total = sum(self._median() for _ in range(5))
        return [senml.number(self._name, "count", (total + 2) // 5, 0)]

    def _median(self):
        samples = []
        for _ in range(9):
            samples.append(self._adc.read_u16() >> 4)
            time.sleep_ms(2)
        return sorted(samples)[4]


class Voltage:
    """A voltage, mean of sixteen; `ratio` is by how much the divider before the pin makes it smaller."""

    def __init__(self, pin, name="battery", ratio=1):
        self._name, self._ratio_thousandths = name, int(ratio * 1000 + 0.5)
        self._adc = _adc(pin)

    def read(self):
        microvolts = sum(self._adc.read_uv() for _ in range(16)) // 16
        return [senml.number(self._name, "V", (microvolts // 10 * self._ratio_thousandths + 50000) // 100000)]


def _adc(pin):
    try:
        return ADC(Pin(pin), atten=ADC.ATTN_11DB)
    except (OSError, ValueError) as error:
        raise Trouble("pin %d cannot measure a voltage: %s" % (pin, words(error))) from None


class Sht3x:
    """Temperature and humidity of the air by I2C; single measurement, high repeatability (0x2400), at most 15.5 ms.

    Check sum: polynomial 0x31, start 0xFF. T = -45 + 175 S / 65535, RH = 100 S / 65535 (data sheet).
    """

    def __init__(self, sda, scl, name="", address=0x44):
        self._bus = SoftI2C(sda=Pin(sda), scl=Pin(scl), freq=50000)
        self._address, self._prefix = address, name + "_" if name else ""

    def read(self):
        return _three_times(self._read)

    def _read(self):
        try:
            self._bus.writeto(self._address, b"\x24\x00")
            time.sleep_ms(20)
            said = self._bus.readfrom(self._address, 6)
        except OSError:
            raise Trouble("no SHT3x answers at 0x%02x; see its four wires" % self._address) from None
        if crc8(said[:2]) != said[2] or crc8(said[3:5]) != said[5]:
            raise Trouble("SHT3x at 0x%02x: check sum wrong; see the length of its wires" % self._address)
        t, rh = said[0] << 8 | said[1], said[3] << 8 | said[4]
        return [
            senml.number(self._prefix + "temperature", "Cel", -45000 + (175000 * t + 32767) // 65535),
            senml.number(self._prefix + "humidity", "%RH", (100000 * rh + 32767) // 65535),
        ]


def crc8(octets):
    crc = 0xFF
    for octet in octets:
        crc ^= octet
        for _ in range(8):
            crc = (crc << 1 ^ 0x31 if crc & 0x80 else crc << 1) & 0xFF
    return crc


class Switch:
    """A dry contact between the pin and ground: closed is on."""

    def __init__(self, pin, name="pump", closed_is_on=True):
        self._name, self._on = name, 0 if closed_is_on else 1
        self._pin = Pin(pin, Pin.IN, Pin.PULL_UP)

    def read(self):
        return [senml.switch(self._name, self._pin.value() == self._on)]


KINDS = {
    "ds18b20": Ds18b20,
    "capacitive": Capacitive,
    "sht3x": Sht3x,
    "battery": Voltage,
    "oxygen": Voltage,
    "switch": Switch,
}


def made(settings):
    """The sensor that one entry of `sensors` in config.json asks for."""
    given = {key: value for key, value in settings.items() if key != "kind"}
    if settings["kind"] == "oxygen":
        given.setdefault("name", "oxygen")
    return KINDS[settings["kind"]](**given)
