"""What goes to a district's database, in line protocol (InfluxDB write API v2): a line a reading and a line a change.

Every line has the tags lab and site, where they are set, and the place.

    <measure>  tags bin, tray, probe, channel
               fields value, raw (float), flag (int)
    alarm      tags rule, priority, measure, event, probe, channel
               fields count, since, raised (int), value, worst (float), before, after, by (text)
    diary      tags kind, number
               fields count (int), amount (float), struck (true or false), result, by, note (text)
    brew       tags number, event (start, air-stopped, end)
               fields count (int), struck (true or false), by, note (text)

Times are whole milliseconds. Tags and time are the key: written again, a line changes nothing. Each line has a number
among its fields, for databases that keep only numbers.
"""

from collections.abc import Iterable, Iterator, Mapping

from collector.domain.diary import Brew, DiaryEntry
from collector.store.line_protocol import FieldValue, LabTags, line, line_head, reading_line, series_head
from collector.store.tables.alarm_rows import PastChange
from collector.store.tables.series_rows import StoredSeries
from collector.uplink.queue import Portion, SentReading


def lines_of(portion: Portion, series: Mapping[int, StoredSeries], lab: LabTags) -> list[str]:
    """The lines of a portion in its order. A series the journal no longer names is left out."""
    return [
        *_alarms(portion.alarms, series, lab),
        *_diary(portion.diary, lab),
        *_brews(portion.brews, lab),
        *_readings(portion.readings, series, lab),
    ]


def _readings(found: Iterable[SentReading], series: Mapping[int, StoredSeries], lab: LabTags) -> Iterator[str]:
    heads: dict[int, str] = {}
    for reading in found:
        known = series.get(reading.series)
        if known is not None:
            if reading.series not in heads:
                heads[reading.series] = series_head(known, lab)
            yield reading_line(heads[reading.series], reading.t_ms, reading.value, reading.flag, reading.raw)


def _alarms(found: Iterable[PastChange], series: Mapping[int, StoredSeries], lab: LabTags) -> Iterator[str]:
    for change in found:
        known = series.get(change.series)
        tags = {
            "rule": change.rule,
            "priority": change.priority,
            "measure": change.measure,
            "event": change.event.value,
        }
        if known is not None:
            tags |= {"probe": known.probe, "channel": known.channel}
        fields: dict[str, FieldValue] = {
            "count": 1,
            "before": change.before.value,
            "after": change.after.value,
            "value": _number(change.value),
            "worst": _number(change.worst),
            "since": change.since_ms,
            "raised": change.raised_ms,
            "by": change.by,
        }
        yield _line("alarm", change.place, tags, lab, fields, change.t_ms)


def _diary(found: Iterable[DiaryEntry], lab: LabTags) -> Iterator[str]:
    for entry in found:
        fields: dict[str, FieldValue] = {
            "count": 1,
            "struck": entry.struck_ms is not None,
            "amount": _number(entry.amount),
            "result": entry.result.value if entry.result is not None else "",
            "by": entry.by,
            "note": entry.note,
        }
        yield _line("diary", entry.place, {"kind": entry.kind.value, "number": str(entry.id)}, lab, fields, entry.t_ms)


def _brews(found: Iterable[Brew], lab: LabTags) -> Iterator[str]:
    for brew in found:
        moments = (("start", brew.started_ms), ("air-stopped", brew.air_stopped_ms), ("end", brew.ended_ms))
        for event, moment in moments:
            if moment is not None:
                by = brew.ended_by if event == "end" else brew.by
                fields: dict[str, FieldValue] = {"count": 1, "struck": brew.struck_ms is not None}
                fields |= {"by": by, "note": brew.note}
                yield _line("brew", brew.place, {"number": str(brew.id), "event": event}, lab, fields, moment)


def _line(
    name: str, place: str, tags: Mapping[str, str], lab: LabTags, fields: Mapping[str, FieldValue], t_ms: int
) -> str:
    return line(line_head(name, {**tags, "place": place, "lab": lab.lab, "site": lab.site}), fields, t_ms)


def _number(value: float | None) -> float | None:
    """A column of a database has one type: a float, however whole the number is."""
    return None if value is None else float(value)
