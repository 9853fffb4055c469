"""What people write on the command line, as values. Each raises argparse.ArgumentTypeError that says what is right."""

from argparse import ArgumentTypeError
from datetime import datetime

from sim_sensors import quantities
from sim_sensors.clock import wall_ms


def port(text: str) -> int:
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
        return int(text)
    raise ArgumentTypeError(f"'{text}' is not a port; use 1 to 65535")


def pace(text: str) -> float:
    try:
        times = float(text)
    except ValueError:
        times = 0.0
    if 0 < times <= 1e6:
        return times
    raise ArgumentTypeError(f"'{text}' is not a pace; use a number above 0, such as 240")


def duration(text: str) -> int:
    try:
        ms = round(quantities.parse(text, "duration"))
    except ValueError:
        ms = 0
    if ms > 0:
        return ms
    raise ArgumentTypeError(f"'{text}' is not a duration; write it like 30min, 2h or 7d")


def start(text: str) -> int:
    """ms UTC."""
    if text == "now":
        return wall_ms()
    try:
        moment: datetime | None = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ArgumentTypeError(f"'{text}' is not a time with its zone; write 2026-03-02T08:00Z, or now")
    return round(moment.timestamp() * 1000)
