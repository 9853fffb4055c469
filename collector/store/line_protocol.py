"""Line protocol (InfluxDB): one encoder for what is exported and for what the uplink sends, so that the same series has
the same tags in both. Pure: values in, text out.

    <measurement>,tag=text,... field=number,field="text",... <time>

Tags and fields stand in the order of their names, floats without a needless '.0'. Commas, spaces and equal signs are
escaped in names and tags, quotes and backslashes in text fields (the reference of the protocol, its section on special
characters).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

from collector.store.tables.series_rows import StoredSeries

FieldValue: TypeAlias = float | int | bool | str | None
"""A float is a number, an int one with an 'i', a bool true or false; None and numbers that are none say nothing."""
_MAX_TEXT = 4_000
"""Characters of a text field."""
_IN_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ "})
_IN_TAG = str.maketrans({",": r"\,", " ": r"\ ", "=": r"\="})
_IN_TEXT = str.maketrans({'"': r"\"", "\\": r"\\"})


@dataclass(frozen=True, slots=True)
class LabTags:
    """Which lab of which site: tags of every line, so that many labs can share a database. Empty: no tag."""

    lab: str
    site: str = ""


def line_head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags, escaped; what many lines of one series share. An empty tag is not allowed and left out."""
    parts = [plain(measurement).translate(_IN_MEASUREMENT)]
    parts += [f"{name}={plain(text).translate(_IN_TAG)}" for name, text in sorted(tags.items()) if text]
    return ",".join(parts)


def line(head: str, fields: Mapping[str, FieldValue], time: int) -> str:
    """One line without its end; empty where no field says anything. `time`: in the unit the receiver is told, or ns."""
    said = ",".join(f"{name}={text}" for name, value in sorted(fields.items()) if (text := _field(value)))
    return f"{head} {said} {time}" if said else ""


def series_head(series: StoredSeries, lab: LabTags) -> str:
    """The head of every reading of a series."""
    tags = {"place": series.place, "bin": series.bin, "tray": series.tray}
    tags |= {"probe": series.probe, "channel": series.channel, "lab": lab.lab, "site": lab.site}
    return line_head(series.measure, tags)


def reading_line(head: str, time: int, value: float | None, flag: int, raw: float | None) -> str:
    """A reading of the series with this head (`series_head`). One without a number keeps its flag."""
    numbers = "".join(
        f",{name}={text}" for name, number in (("raw", raw), ("value", value)) if (text := _field(number))
    )
    return f"{head} flag={flag}i{numbers} {time}"


def plain(text: str) -> str:
    """Line breaks end a line of the protocol, and a backslash at the end of a tag would hide what follows."""
    printable = "".join(char if char.isprintable() else " " for char in text)
    return " ".join(printable.split()).rstrip("\\ ") or "-"


def _field(value: FieldValue) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return f"{value}i"
    if isinstance(value, float):
        return str(value).removesuffix(".0") if math.isfinite(value) else ""
    return f'"{plain(value)[:_MAX_TEXT].translate(_IN_TEXT)}"' if value else ""
