"""The round: read the sensors, keep the report, send all that is kept, rest."""

import binascii
import time

import clock
import machine
import senml
import sensors
import wifi
from kept import Kept
from mqtt import Broker
from trouble import Trouble, words

_WATCHDOG_MS = 120000
_CLOCK_EVERY_S = 12 * 3600


class Probe:
    def __init__(self, settings):
        self._settings = settings
        mac = machine.unique_id()
        self.base = senml.base_name(mac)
        keep = settings["keep"]
        self._kept = Kept(keep["per_file"], keep["files"], keep["in_memory"], self._say)
        self._broker = _broker(settings, mac)
        self._sensors = [_Sensor(entry, self._say) for entry in settings["sensors"]]
        power = settings["power_pin"]
        self._power = None if power is None else machine.Pin(power, machine.Pin.OUT)
        self._watchdog = machine.WDT(timeout=_WATCHDOG_MS) if settings["watchdog"] else None
        self._clock_from_s = 0
        self._last_trouble = ""

    def run(self):
        """For ever; with deep sleep one round, and the board starts anew after it."""
        self._take_over_from_sleep()
        while True:
            began = time.ticks_ms()
            self._report()
            self._send(began)
            left_ms = self._left_ms(began)
            if self._settings["deep_sleep"]:
                self._sleep(left_ms)
            self._rest(left_ms)

    def save(self):
        """What can be kept on flash, before the board starts anew."""
        self._kept.to_flash()

    def _report(self):
        self._feed()
        if self._power is not None:
            self._power.value(1)
            time.sleep_ms(200)
        t_s = clock.now_s()
        records = [record for sensor in self._sensors for record in sensor.read()]
        if self._power is not None:
            self._power.value(0)
        if records:
            self._say("measured: " + ",".join(records))
            self._kept.add(t_s, ",".join(records))

    def _send(self, began):
        """All that is kept, as far as there is time before the next report."""
        try:
            self._connect()
            self._kept.send_all(self._publish, lambda: self._left_ms(began) == 0)
        except (Trouble, OSError) as trouble:
            self._say_once(words(trouble))
            try:
                self._kept.still_away()
            except OSError as error:
                self._say("cannot write to flash: %s" % words(error))

    def _connect(self):
        wifi.join(self._settings["wifi"]["ssid"], self._settings["wifi"]["password"], self._rest)
        self._set_clock()
        if not self._broker.is_open:
            self._feed()
            self._broker.open()
            self._say_once("connected to the broker at %s" % self._broker.where)

    def _publish(self, t_s, body):
        self._feed()
        now_s = clock.now_s()
        pack = senml.pack(self.base, senml.base_time(t_s, now_s, clock.is_set), body)
        if not self._broker.is_open:
            self._broker.open()
        try:
            self._broker.publish(self._settings["topic"], pack)
        except Trouble:
            # A broker that was started anew is there at once on a new connection.
            self._broker.open()
            self._broker.publish(self._settings["topic"], pack)

    def _set_clock(self):
        now_s = clock.now_s()
        was_set = clock.is_set(now_s)
        if was_set and 0 <= now_s - self._clock_from_s < _CLOCK_EVERY_S:
            return
        try:
            self._feed()
            by_s = clock.ask_network(self._settings["ntp_host"])
        except (OSError, OverflowError) as error:
            if not was_set:
                self._say("no time from the network (%s): reports go out without a time of their own" % words(error))
            return
        self._clock_from_s = clock.now_s()
        if not was_set:
            self._kept.clock_moved(by_s)
            self._say("the clock is set")

    def _left_ms(self, began):
        return max(0, self._settings["every_s"] * 1000 - time.ticks_diff(time.ticks_ms(), began))

    def _rest(self, ms):
        """Waits in short pieces, so that the watchdog knows we are there."""
        began = time.ticks_ms()
        while True:
            self._feed()
            left = ms - time.ticks_diff(time.ticks_ms(), began)
            if left <= 0:
                return
            time.sleep_ms(min(left, 1000))

    def _feed(self):
        if self._watchdog is not None:
            self._watchdog.feed()

    def _sleep(self, ms):
        self._broker.leave()
        wifi.leave()
        text = "%d\n%s" % (self._clock_from_s, self._kept.for_sleep())
        machine.RTC().memory(text.encode())
        machine.deepsleep(max(ms, 1000))

    def _take_over_from_sleep(self):
        if machine.reset_cause() != machine.DEEPSLEEP_RESET:
            return
        try:
            clock_from_s, _, reports = machine.RTC().memory().decode().partition("\n")
            self._clock_from_s = int(clock_from_s)
        except (ValueError, UnicodeError):
            return
        self._kept.after_sleep(reports)

    def _say(self, line):
        print(line)

    def _say_once(self, line):
        """Not the same line each round."""
        if line != self._last_trouble:
            print(line)
        self._last_trouble = line


class _Sensor:
    """One sensor; its trouble is told once, and once when it is over."""

    def __init__(self, settings, say):
        self._settings, self._say = settings, say
        self._sensor = None
        self._trouble = ""

    def read(self):
        """Its records, none where it has trouble: the others go on."""
        try:
            if self._sensor is None:
                self._sensor = sensors.made(self._settings)
            records = self._sensor.read()
        except (Trouble, OSError, ValueError) as trouble:
            if words(trouble) != self._trouble:
                self._trouble = words(trouble)
                self._say(self._trouble)
            return []
        if self._trouble:
            self._trouble = ""
            self._say("%s on its wires again" % self._settings["kind"])
        return records


def _broker(settings, mac):
    broker = settings["broker"]
    client_id = "probe" + binascii.hexlify(mac).decode()
    keepalive_s = min(65535, max(60, 2 * settings["every_s"] + 60))
    return Broker(
        broker["host"], broker["port"], client_id, broker["username"], broker["password"], broker["ca"], keepalive_s
    )
