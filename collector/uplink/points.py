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
from dataclasses import dataclass

from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from collector.domain.diary import Brew, DiaryEntry
from collector.store.alarm_rows import PastChange
from collector.store.series_rows import StoredSeries
from collector.uplink.queue import Portion, SentReading

_MAX_TEXT = 4_000


@dataclass(frozen=True, slots=True)
class Origin:
    """Which lab of which site: tags of every line, so that many labs can share a bucket."""

    lab: str
    site: str = ""


def lines_of(portion: Portion, series: Mapping[int, StoredSeries], origin: Origin) -> list[str]:
    """The lines of a portion in its order. A series the journal no longer names is left out."""
    points = [
        *_alarms(portion.alarms, series, origin),
        *_diary(portion.diary, origin),
        *_brews(portion.brews, origin),
        *_readings(portion.readings, series, origin),
    ]
    return [line for point in points if (line := point.to_line_protocol())]


def _readings(found: Iterable[SentReading], series: Mapping[int, StoredSeries], origin: Origin) -> Iterator[Point]:
    for one in found:
        known = series.get(one.series)
        if known is not None:
            point = _point(known.measure, origin, one.t_ms)
            _tags(point, place=known.place, bin=known.bin, tray=known.tray, probe=known.probe, channel=known.channel)
            point.field("flag", one.flag)
            _numbers(point, value=one.value, raw=one.raw)
            yield point


def _alarms(found: Iterable[PastChange], series: Mapping[int, StoredSeries], origin: Origin) -> Iterator[Point]:
    for one in found:
        known = series.get(one.series)
        point = _point("alarm", origin, one.t_ms)
        _tags(point, place=one.place, rule=one.rule, priority=one.priority, measure=one.measure, event=one.event)
        _tags(point, probe=known.probe if known is not None else "", channel=known.channel if known is not None else "")
        point.field("count", 1).field("before", one.before).field("after", one.after)
        _numbers(point, value=one.value, worst=one.worst)
        for name, moment in (("since", one.since_ms), ("raised", one.raised_ms)):
            if moment is not None:
                point.field(name, moment)
        _texts(point, by=one.by)
        yield point


def _diary(found: Iterable[DiaryEntry], origin: Origin) -> Iterator[Point]:
    for one in found:
        point = _point("diary", origin, one.t_ms)
        _tags(point, place=one.place, kind=one.kind.value, number=str(one.id))
        point.field("count", 1).field("struck", one.struck_ms is not None)
        _numbers(point, amount=one.amount)
        _texts(point, result=one.result.value if one.result is not None else "", by=one.by, note=one.note)
        yield point


def _brews(found: Iterable[Brew], origin: Origin) -> Iterator[Point]:
    for one in found:
        moments = (("start", one.started_ms), ("air-stopped", one.air_stopped_ms), ("end", one.ended_ms))
        for event, moment in moments:
            if moment is not None:
                point = _point("brew", origin, moment)
                _tags(point, place=one.place, number=str(one.id), event=event)
                point.field("count", 1).field("struck", one.struck_ms is not None)
                _texts(point, by=one.ended_by if event == "end" else one.by, note=one.note)
                yield point


def _point(name: str, origin: Origin, t_ms: int) -> Point:
    point = Point(name)
    point.time(t_ms, WritePrecision.MS)
    _tags(point, lab=origin.lab, site=origin.site)
    return point


def _tags(point: Point, **tags: str) -> None:
    for name, value in tags.items():
        if value:
            point.tag(name, _plain(value))


def _numbers(point: Point, **fields: float | None) -> None:
    for name, value in fields.items():
        if value is not None:
            point.field(name, float(value))


def _texts(point: Point, **fields: str) -> None:
    for name, value in fields.items():
        if value:
            point.field(name, _plain(value)[:_MAX_TEXT])


def _plain(text: str) -> str:
    """Line breaks end a line of the protocol, and a backslash at the end of a tag would hide what follows."""
    printable = "".join(char if char.isprintable() else " " for char in text)
    return " ".join(printable.split()).rstrip("\\ ") or "-"
