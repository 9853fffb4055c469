"""Secondary units of SenML: `value in primary = value * scale + offset`. Source: RFC 8798 section 3.

They count only in a pack whose version carries the feature bit (RFC 9100); elsewhere the name is left as sent.
"""

SECONDARY: dict[str, tuple[str, float, float]] = {
    "ms": ("s", 1 / 1000, 0.0),
    "min": ("s", 60.0, 0.0),
    "h": ("s", 3600.0, 0.0),
    "mV": ("V", 1 / 1000, 0.0),
    "mA": ("A", 1 / 1000, 0.0),
    "dBm": ("dBW", 1.0, -30.0),
    "ug/m3": ("kg/m3", 1e-9, 0.0),
    "mm/h": ("m/s", 1 / 3_600_000, 0.0),
    "ppm": ("/", 1e-6, 0.0),
    "/100": ("/", 1 / 100, 0.0),
    "/1000": ("/", 1 / 1000, 0.0),
    "hPa": ("Pa", 100.0, 0.0),
    "mm": ("m", 1 / 1000, 0.0),
    "cm": ("m", 1 / 100, 0.0),
    # The rest of the table is from memory.
    "MHz": ("Hz", 1e6, 0.0),
    "kW": ("W", 1000.0, 0.0),
    "kVA": ("VA", 1000.0, 0.0),
    "kvar": ("var", 1000.0, 0.0),
    "Ah": ("C", 3600.0, 0.0),
    "Wh": ("J", 3600.0, 0.0),
    "kWh": ("J", 3_600_000.0, 0.0),
    "varh": ("vars", 3600.0, 0.0),
    "kvarh": ("vars", 3_600_000.0, 0.0),
    "kVAh": ("VAs", 3_600_000.0, 0.0),
    "Wh/km": ("J/m", 3.6, 0.0),
    "KiB": ("B", 1024.0, 0.0),
    "GB": ("B", 1e9, 0.0),
    "Mbit/s": ("bit/s", 1e6, 0.0),
    "B/s": ("bit/s", 8.0, 0.0),
    "MB/s": ("bit/s", 8e6, 0.0),
    "m/h": ("m/s", 1 / 3600, 0.0),
    "km": ("m", 1000.0, 0.0),
    "km/h": ("m/s", 1 / 3.6, 0.0),
}
