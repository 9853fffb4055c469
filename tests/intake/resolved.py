"""Records written as resolved SenML (RFC 8428 section 4.6), to be read again."""

import math
from collections.abc import Iterable

import msgspec

from collector.intake.record import END_OF_TIME_S, Record
from collector.intake.senml_resolve import ABSOLUTE_FROM_S, DEFAULT_VERSION, is_name


def can_write(record: Record) -> bool:
    """Whether resolved SenML can say this record: it has no word for NaN, for a time before 1978-07-04T21:24:16Z (that
    would read as relative), or for names outside its characters."""
    if record.t_s is None or not ABSOLUTE_FROM_S <= record.t_s < END_OF_TIME_S or not is_name(record.name):
        return False
    if record.form == "v":
        return record.value is not None and math.isfinite(record.value)
    if record.form == "vb":
        return record.value is not None
    return record.sum is not None if record.form == "" else record.text is not None


def dump_resolved(records: Iterable[Record]) -> bytes:
    """Records as a resolved pack (RFC 8428 section 4.6): chronological, no base fields, no relative times.

    Leaves out what `can_write` says cannot be written. The version stands in every record, or in none where all are 10.
    """
    kept = sorted((record for record in records if can_write(record)), key=lambda record: record.t_s or 0.0)
    with_version = any(record.version != DEFAULT_VERSION for record in kept)
    return msgspec.json.encode([_labels(record, with_version=with_version) for record in kept])


def _labels(record: Record, *, with_version: bool) -> dict[str, object]:
    labels: dict[str, object] = {"bver": record.version} if with_version else {}
    labels["n"] = record.name
    if record.unit:
        labels["u"] = record.unit
    if record.form == "v":
        labels["v"] = record.value
    elif record.form == "vb":
        labels["vb"] = bool(record.value)
    elif record.form:
        labels[record.form] = record.text
    if record.sum is not None:
        labels["s"] = record.sum
    labels["t"] = record.t_s
    if record.update_time_s is not None:
        labels["ut"] = record.update_time_s
    return labels
