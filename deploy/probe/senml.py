"""SenML in JSON (RFC 8428): one pack for each report.

All numbers are written from integers, since the board's fractions have seven digits only and would spoil a time.
"""

ABSOLUTE_FROM_S = 1 << 28
"""Times below are relative to now (RFC 8428 section 4.5.3)."""


def base_name(mac):
    """The board's 48-bit address as an EUI-64 in a URN (RFC 9039), with the colon that parts it from the names."""
    wide = mac[:3] + b"\xff\xfe" + mac[3:]
    return "urn:dev:mac:%s:" % "".join("%02x" % octet for octet in wide)


def number(name, unit, thousandths, places=3):
    """A record: `thousandths` of the unit, or other parts of ten by `places`."""
    sign, size = ("-", -thousandths) if thousandths < 0 else ("", thousandths)
    whole, part = divmod(size, 10**places)
    fraction = "." + ("%0" + str(places) + "d") % part if places else ""
    return '{"n":"%s","u":"%s","v":%s%d%s}' % (name, unit, sign, whole, fraction)


def switch(name, on):
    return '{"n":"%s","vb":%s}' % (name, "true" if on else "false")


def pack(base, bt_s, body):
    """The whole pack. `bt_s`: Unix seconds, or minus the age in seconds; 0 or None: now, said by leaving it out."""
    time = '"bt":%d,' % bt_s if bt_s else ""
    return '[{"bn":"%s",%s%s]' % (base, time, body[1:])


def base_time(t_s, now_s, is_set):
    """What `pack` takes for a reading of `t_s` by this board's clock, while that clock shows `now_s`."""
    if is_set(t_s):
        return t_s
    age_s = now_s - t_s
    return -age_s if 0 < age_s < ABSOLUTE_FROM_S else 0
