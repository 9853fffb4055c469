"""Readings as files for other programs: csv, SenML, InfluxDB line protocol. Written as they are read, in time order.

csv     every reading, with its flag; `value` is empty where there is no number. `bin` holds the bin, or the place where
        that is none (room, kettle). Numbers are written so that they read back exactly.
senml   a resolved pack (RFC 8428 section 4.6) of readings with a number flagged pass, not evaluated or suspect. SenML
        has no word for quality, so that a failed reading would pass for a good one; and no times before 1978-07-04,
        which would read as relative. Names are place/probe/measure.
lines   every reading with the tags and fields that the uplink sends (`uplink/points.py`), its time in ns, as programs
        that read such files expect.
"""

import csv
import json
import math
import re
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime, timedelta
from typing import Literal, TextIO, TypeAlias

from collector.domain.readings import USABLE
from collector.store.batch import ReadingRow
from collector.store.line_protocol import LabTags, reading_line, series_head
from collector.store.reader import Reader
from collector.store.tables.series_rows import StoredSeries

Format = Literal["csv", "senml", "lines"]
Writer: TypeAlias = Callable[[Iterator[ReadingRow], dict[int, StoredSeries], TextIO], int]
"""Writes the rows; returns how many records that made."""
Progress = Callable[[int, float], None]
"""Called now and then with the records written and the part of the time span done, 0 to 1."""

CSV_COLUMNS = ("time", "bin", "tray", "probe", "measure", "unit", "value", "flag")
_PROGRESS_ROWS = 10_000
_NS_IN_MS = 1_000_000
NO_LAB = LabTags("")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RELATIVE_BELOW_MS = 2**28 * 1000


def export(
    reader: Reader,
    kind: Format,
    out: TextIO,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    series_ids: Collection[int] | None = None,
    progress: Progress | None = None,
    lab: LabTags = NO_LAB,
) -> int:
    """Write readings from `since_ms` on, before `until_ms`, to `out`; returns how many records that made. `lab`: the
    tags of each line of line protocol."""
    known = {series.id: series for series in reader.series()}
    rows = _told(reader, since_ms, until_ms, known if series_ids is None else known.keys() & series_ids, progress)
    writers: dict[str, Writer] = {"csv": _write_csv, "senml": _write_senml, "lines": _lines_writer(lab)}
    return writers[kind](rows, known, out)


def _told(
    reader: Reader,
    since_ms: int | None,
    until_ms: int | None,
    series_ids: Collection[int],
    progress: Progress | None,
) -> Iterator[ReadingRow]:
    rows = reader.readings(since_ms, until_ms, series_ids)
    span = reader.span()
    if progress is None or span is None:
        yield from rows
        return
    first = span[0] if since_ms is None else max(span[0], since_ms)
    last = span[1] if until_ms is None else min(span[1], until_ms)
    n = 0
    for n, row in enumerate(rows, start=1):
        yield row
        if n % _PROGRESS_ROWS == 0:
            progress(n, min(1.0, (row[0] - first) / max(1, last - first)))
    progress(n, 1.0)


def iso_utc(t_ms: int) -> str:
    """'2026-03-02T08:00:00.000Z'; exact for every millisecond."""
    return (_EPOCH + timedelta(milliseconds=t_ms)).isoformat(timespec="milliseconds")[:-6] + "Z"


def _write_csv(rows: Iterator[ReadingRow], known: dict[int, StoredSeries], out: TextIO) -> int:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    words = {number: (s.bin or s.place, s.tray, s.probe, s.measure, s.unit) for number, s in known.items()}
    n = 0
    for t_ms, series, value, flag, _raw, _why in rows:
        n += 1
        writer.writerow((iso_utc(t_ms), *words[series], "" if value is None else repr(value), flag))
    return n


_SENML_UNITS: dict[str, tuple[str, float]] = {
    "degC": ("Cel", 1.0),
    "%": ("/", 100.0),
    "%RH": ("%RH", 1.0),
    "mg/L": ("kg/m3", 1000.0),
    "V": ("V", 1.0),
}
"""Our unit -> SenML unit (RFC 8428 section 12.1, RFC 8798 for kg/m3) and how many of ours make one of it."""
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9\-:./_]")


def _write_senml(rows: Iterator[ReadingRow], known: dict[int, StoredSeries], out: TextIO) -> int:
    names = _senml_names(known)
    n = 0
    out.write("[")
    for t_ms, series, value, flag, _raw, _why in rows:
        if value is None or flag not in USABLE or t_ms < _RELATIVE_BELOW_MS or not math.isfinite(value):
            continue
        out.write(",\n" if n else "\n")
        out.write(f'{{"n":{names[series]},{_senml_value(known[series].unit, value)},"t":{_seconds(t_ms)}}}')
        n += 1
    out.write("\n]\n" if n else "]\n")
    return n


def _senml_value(unit: str, value: float) -> str:
    if unit == "on/off":
        return f'"u":"/","vb":{"true" if value >= 0.5 else "false"}'
    name, ours_per_unit = _SENML_UNITS.get(unit, ("", 1.0))
    # Fifteen digits: 57.3 % is 0.573, not 0.5730000000000001.
    number = value if ours_per_unit == 1.0 else float(f"{value / ours_per_unit:.15g}")
    return f'"u":"{name}","v":{number!r}' if name else f'"v":{number!r}'


def _seconds(t_ms: int) -> str:
    """Seconds as a decimal number without passing through a float."""
    seconds, rest = divmod(t_ms, 1000)
    return f"{seconds}.{rest:03d}".rstrip("0").rstrip(".") if rest else str(seconds)


def _senml_names(known: dict[int, StoredSeries]) -> dict[int, str]:
    """Resolved names as JSON strings. RFC 8428 section 4.5.1: A-Z a-z 0-9 - : . / _, the first a letter or digit."""
    shared = _shared_words(known)
    names = {}
    for number, series in known.items():
        parts = [series.place, series.probe, series.measure]
        if _words(series) in shared:
            parts.append(series.channel)
        name = _NOT_IN_NAMES.sub("_", "/".join(part for part in parts if part))
        names[number] = json.dumps(name if name[:1].isalnum() else f"x{name}")
    return names


def _words(series: StoredSeries) -> tuple[str, str, str]:
    return series.place, series.probe, series.measure


def _shared_words(known: dict[int, StoredSeries]) -> set[tuple[str, str, str]]:
    """Where one probe has two channels of the same measure in one place, only the channel tells them apart."""
    return {words for words, n in Counter(map(_words, known.values())).items() if n > 1}


def _lines_writer(lab: LabTags) -> Writer:
    def write(rows: Iterator[ReadingRow], known: dict[int, StoredSeries], out: TextIO) -> int:
        heads = {number: series_head(series, lab) for number, series in known.items()}
        n = 0
        for t_ms, series, value, flag, raw, _why in rows:
            n += 1
            out.write(reading_line(heads[series], t_ms * _NS_IN_MS, value, flag, raw) + "\n")
        return n

    return write
