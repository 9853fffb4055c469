"""config.json: read and checked whole, so that every mistake is told at once, each in one line, before anything starts.

No value is ever shown for a password.
"""

import json

import mqtt
from trouble import Trouble, words

FILE = "config.json"
_NEEDED = "needed"
_INPUT_ONLY = (34, 35, 36, 37, 38, 39)
_FLASH = (6, 7, 8, 9, 10, 11)
_NAME = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-:._"


def load():
    """(settings with every default filled in, problems as lines). With problems the settings are not to be used."""
    problems = []
    found = _parsed(problems)
    if problems:
        return None, problems
    settings = _section(found, "", _TOP, problems)
    for name, fields in (("wifi", _WIFI), ("broker", _BROKER), ("keep", _KEEP)):
        if isinstance(settings.get(name), dict):
            settings[name] = _section(settings[name], name + ".", fields, problems)
    sensors = settings.get("sensors")
    settings["sensors"] = _sensors(sensors, problems) if isinstance(sensors, list) else []
    if not problems:
        _together(settings, problems)
    return settings, problems


def _parsed(problems):
    try:
        with open(FILE) as file:
            try:
                found = json.load(file)
            except (ValueError, UnicodeError):
                problems.append("%s:%d: not JSON here or a little before; see quotes, commas, brackets" % _place(file))
                return None
    except OSError:
        problems.append("%s is not on this board; copy config.example.json to it and fill it in" % FILE)
        return None
    if not isinstance(found, dict):
        problems.append("%s: it must be one object: {...}" % FILE)
    return found


def _place(file):
    """File and line that were reached."""
    reached = file.tell()
    file.seek(0)
    return FILE, file.read(reached).count("\n") + 1


def _section(found, where, fields, problems):
    settings = {}
    for key in found:
        if key not in fields:
            problems.append("%s: %s%s is not a setting; there are: %s" % (FILE, where, key, ", ".join(sorted(fields))))
    for key, (check, otherwise) in fields.items():
        if key not in found:
            if otherwise == _NEEDED:
                problems.append("%s: %s%s is missing" % (FILE, where, key))
            settings[key] = otherwise
            continue
        wrong = check(found[key])
        if wrong:
            shown = "" if key == "password" else ", not %s" % json.dumps(found[key])[:60]
            problems.append("%s: %s%s must be %s%s" % (FILE, where, key, wrong, shown))
        settings[key] = found[key]
    return settings


def _sensors(found, problems):
    sensors = []
    for number, entry in enumerate(found, 1):
        where = "sensors[%d]." % number
        kind = entry.get("kind") if isinstance(entry, dict) else None
        if kind not in _SENSORS:
            kinds = ", ".join(sorted(_SENSORS))
            problems.append("%s: %skind must be one of %s, not %s" % (FILE, where, kinds, json.dumps(kind)))
            continue
        sensor = _section(entry, where, _SENSORS[kind], problems)
        sensors.append({key: value for key, value in sensor.items() if value is not None})
    return sensors


def _together(settings, problems):
    """What each value allows and all of them together do not."""
    if not settings["sensors"]:
        problems.append("%s: sensors is empty; there is nothing to report" % FILE)
    keep = settings["keep"]
    if keep["in_memory"] < keep["per_file"]:
        problems.append("%s: keep.in_memory must be at least keep.per_file, %d" % (FILE, keep["per_file"]))
    names = [name for sensor in settings["sensors"] for name in record_names(sensor)]
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems.append("%s: two sensors report as '%s'; give one of them another name" % (FILE, name))
    pins = [sensor["pin"] for sensor in settings["sensors"] if "pin" in sensor and "rom" not in sensor]
    for pin in sorted({pin for pin in pins if pins.count(pin) > 1}):
        problems.append("%s: two sensors on pin %d; only DS18B20 with a 'rom' each can share one" % (FILE, pin))
    _fill_broker(settings["broker"], problems)


def _fill_broker(broker, problems):
    if broker["port"] is None:
        broker["port"] = 8883 if broker["tls"] else 1883
    broker["ca"] = None
    if not broker["tls"]:
        return
    if broker["ca_file"] is None:
        problems.append("%s: broker.ca_file is missing; with tls it says which broker is the right one" % FILE)
        return
    try:
        with open(broker["ca_file"]) as file:
            broker["ca"] = mqtt.certificate(file.read())
    except (OSError, ValueError, Trouble) as error:
        problems.append("%s: broker.ca_file '%s' cannot be used: %s" % (FILE, broker["ca_file"], words(error)))


def record_names(sensor):
    """The names under which a sensor's records are sent."""
    if sensor["kind"] == "sht3x":
        prefix = sensor["name"] + "_" if "name" in sensor else ""
        return [prefix + "temperature", prefix + "humidity"]
    return [sensor.get("name", _NAMES[sensor["kind"]])]


_NAMES = {
    "ds18b20": "temperature",
    "capacitive": "moisture",
    "battery": "battery",
    "oxygen": "oxygen",
    "switch": "pump",
}


def _whole(least, most):
    def check(value):
        good = isinstance(value, int) and not isinstance(value, bool) and least <= value <= most
        return None if good else "a whole number from %d to %d" % (least, most)

    return check


def _between(least, most):
    def check(value):
        good = isinstance(value, (int, float)) and not isinstance(value, bool) and least <= value <= most
        return None if good else "a number from %g to %g" % (least, most)

    return check


def _text(least, most):
    def check(value):
        good = isinstance(value, str) and least <= len(value.encode()) <= most
        return None if good else "text of %d to %d characters" % (least, most)

    return check


def _yes_no(value):
    return None if isinstance(value, bool) else "true or false"


def _object(value):
    return None if isinstance(value, dict) else "an object: {...}"


def _list(value):
    return None if isinstance(value, list) else "a list: [...]"


def _topic(value):
    good = isinstance(value, str) and 0 < len(value) <= 200 and not any(mark in value for mark in "+#\0")
    return None if good else "a topic such as worms/juniper/top, without + and #"


def _name(value):
    good = isinstance(value, str) and 0 < len(value) <= 40 and value[0].lower() in _NAME[:26] + "0123456789"
    good = good and all(mark in _NAME for mark in value)
    return None if good else "a name of letters, digits and - : . _, such as temperature"


def _rom(value):
    good = isinstance(value, str) and len(value) == 16 and all(mark in "0123456789abcdef" for mark in value)
    return None if good else "16 digits 0-9 a-f, as the console shows them"


def _any_pin(value):
    if _whole(0, 39)(value) or value in _FLASH:
        return "a pin from 0 to 39 that is not taken by the flash memory (6 to 11)"
    return None


def _two_way_pin(value):
    if _any_pin(value) or value in _INPUT_ONLY:
        return "a pin from 0 to 33 that is not taken by the flash memory (6 to 11); 34 to 39 can only listen"
    return None


def _adc_pin(value):
    return _whole(32, 39)(value) and "a pin from 32 to 39; the others cannot measure while Wi-Fi is on"


_TOP = {
    "wifi": (_object, _NEEDED),
    "broker": (_object, _NEEDED),
    "topic": (_topic, _NEEDED),
    "sensors": (_list, _NEEDED),
    "every_s": (_whole(5, 86400), 60),
    "ntp_host": (_text(1, 100), None),
    "power_pin": (_two_way_pin, None),
    "deep_sleep": (_yes_no, False),
    "watchdog": (_yes_no, True),
    "keep": (_object, {}),
}
_WIFI = {"ssid": (_text(1, 32), _NEEDED), "password": (_text(0, 63), _NEEDED)}
_BROKER = {
    "host": (_text(1, 100), _NEEDED),
    "port": (_whole(1, 65535), None),
    "username": (_text(1, 100), None),
    "password": (_text(1, 200), None),
    "tls": (_yes_no, False),
    "ca_file": (_text(1, 60), None),
}
_KEEP = {"per_file": (_whole(1, 60), 20), "files": (_whole(1, 1000), 250), "in_memory": (_whole(1, 300), 120)}
_KIND = (_text(1, 20), _NEEDED)
_SENSORS = {
    "ds18b20": {"kind": _KIND, "pin": (_two_way_pin, _NEEDED), "name": (_name, None), "rom": (_rom, None)},
    "capacitive": {"kind": _KIND, "pin": (_adc_pin, _NEEDED), "name": (_name, None)},
    "sht3x": {
        "kind": _KIND,
        "sda": (_two_way_pin, _NEEDED),
        "scl": (_two_way_pin, _NEEDED),
        "name": (_name, None),
        "address": (_whole(0x44, 0x45), None),
    },
    "battery": {
        "kind": _KIND,
        "pin": (_adc_pin, _NEEDED),
        "name": (_name, None),
        "ratio": (_between(1, 100), None),
    },
    "oxygen": {"kind": _KIND, "pin": (_adc_pin, _NEEDED), "name": (_name, None), "ratio": (_between(1, 100), None)},
    "switch": {
        "kind": _KIND,
        "pin": (_two_way_pin, _NEEDED),
        "name": (_name, None),
        "closed_is_on": (_yes_no, None),
    },
}
