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
    for one in found:
        known = series.get(one.series)
        if known is not None:
            if one.series not in heads:
                heads[one.series] = series_head(known, lab)
            yield reading_line(heads[one.series], one.t_ms, one.value, one.flag, one.raw)


def _alarms(found: Iterable[PastChange], series: Mapping[int, StoredSeries], lab: LabTags) -> Iterator[str]:
    for one in found:
        known = series.get(one.series)
        tags = {"rule": one.rule, "priority": one.priority, "measure": one.measure, "event": one.event.value}
        if known is not None:
            tags |= {"probe": known.probe, "channel": known.channel}
        fields: dict[str, FieldValue] = {
            "count": 1,
            "before": one.before.value,
            "after": one.after.value,
            "value": _number(one.value),
            "worst": _number(one.worst),
            "since": one.since_ms,
            "raised": one.raised_ms,
            "by": one.by,
        }
        yield _line("alarm", one.place, tags, lab, fields, one.t_ms)


def _diary(found: Iterable[DiaryEntry], lab: LabTags) -> Iterator[str]:
    for one in found:
        fields: dict[str, FieldValue] = {
            "count": 1,
            "struck": one.struck_ms is not None,
            "amount": _number(one.amount),
            "result": one.result.value if one.result is not None else "",
            "by": one.by,
            "note": one.note,
        }
        yield _line("diary", one.place, {"kind": one.kind.value, "number": str(one.id)}, lab, fields, one.t_ms)


def _brews(found: Iterable[Brew], lab: LabTags) -> Iterator[str]:
    for one in found:
        moments = (("start", one.started_ms), ("air-stopped", one.air_stopped_ms), ("end", one.ended_ms))
        for event, moment in moments:
            if moment is not None:
                by = one.ended_by if event == "end" else one.by
                fields: dict[str, FieldValue] = {"count": 1, "struck": one.struck_ms is not None}
                fields |= {"by": by, "note": one.note}
                yield _line("brew", one.place, {"number": str(one.id), "event": event}, lab, fields, moment)


def _line(
    name: str, place: str, tags: Mapping[str, str], lab: LabTags, fields: Mapping[str, FieldValue], t_ms: int
) -> str:
    return line(line_head(name, {**tags, "place": place, "lab": lab.lab, "site": lab.site}), fields, t_ms)


def _number(value: float | None) -> float | None:
    """A column of a database has one type: a float, however whole the number is."""
    return None if value is None else float(value)
