"""What `status` and the listings show, gathered from the journal as plain values."""

from collections.abc import Iterable
from typing import Any

from collector.alarms.model import State
from collector.cli.local import When, at
from collector.cli.output import iso
from collector.cli.status.oddities import unclaimed
from collector.cli.status.recipients import recipient_rows
from collector.config.home import Home
from collector.domain.lab import Lab
from collector.domain.readings import Flag
from collector.domain.units import PUBLISHED, show_duration
from collector.store.reader import Reader
from collector.store.tables.alarm_rows import HeldAlarm
from collector.store.tables.reading import NewestReading
from collector.store.tables.series_rows import StoredSeries
from collector.store.vocabulary import NOT_KEPT, MetaKey
from collector.store.watch_state import STALE_MS, CollectorState, WatchState, collector_state, read_state
from collector.telling.reach import Reach, reach_of
from collector.uplink.queue import COUNTED, UplinkState, uplink_state

_FROM_BEST = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.MISSING, Flag.FAIL)


def status(home: Home, lab: Lab | None, now_ms: int, stale_ms: int = STALE_MS, *, when: When = iso) -> dict[str, Any]:
    """The whole picture, as `status --json` prints it, with times as `when` writes them; works whether or not the
    collector runs."""
    watch = read_state(home.sign_of_life)
    with Reader(home.database) as reader, reader.snapshot():
        series = {stored.id: stored for stored in reader.series()}
        newest = reader.newest()
        counters = reader.counters()
        outbox = reader.outbox_counts()
        return {
            "readings": reader.readings_count(),
            "backlog": watch.backlog if watch is not None else 0,
            "rejected": counters.get("rejected", 0),
            "duplicates": counters.get("duplicates", 0),
            "not_kept": {name: counters.get(name, 0) for name in map(str, NOT_KEPT)},
            "unplaced": len(unclaimed(reader.unplaced(), lab)),
            "watch": watch_words(watch, now_ms, stale_ms, when),
            "probes": probe_rows(series, newest, lab, when),
            "alarms": [alarm_row(held, series, when) for held in reader.alarms()],
            "outbox": {name: outbox.get(name, 0) for name in ("waiting", "sent", "failed", "unconfirmed")},
            "recipients": recipient_rows(reader.recipients(), lab, when),
            "high_alarm": reach_rows(reach_of(reader.meta().get(MetaKey.REACH, ""))),
            "heartbeat": heartbeat_rows(watch, when),
            "uplink": uplink_row(uplink_state(reader, now_ms), when),
            "note": reader.note,
        }


def watch_words(state: WatchState | None, now_ms: int, stale_ms: int, when: When) -> str:
    """How the collector is, in a few words."""
    if state is None:
        return "has not run here yet"
    match collector_state(state, now_ms, stale_ms):
        case CollectorState.STOPPED:
            return f"stopped at {when(state.alive_ms)}"
        case CollectorState.SILENT:
            return f"not running; last sign of life {when(state.alive_ms)}"
        case CollectorState.STALLED:
            return f"running, but the journal cannot be written: {state.stalled}"
        case CollectorState.WITHOUT_BROKER:
            return f"running without the broker: {state.link_trouble}"
    return "running"


def reach_rows(reach: Reach) -> list[dict[str, Any]]:
    """Who would be told of a high alarm at each place, as the collector last found."""
    return [
        {"at": place, "told": [{"who": hearer.role, "by": list(hearer.ways)} for hearer in told]}
        for place, told in reach.items()
    ]


def heartbeat_rows(state: WatchState | None, when: When) -> list[dict[str, Any]]:
    """How each sign of life that is set up fares, as the collector last said."""
    return [
        {"by": beat.by, "last": at(when, beat.last_ms), "failures": beat.failures, "error": beat.error}
        for beat in (state.heartbeat if state is not None else ())
    ]


def probe_rows(
    series: dict[int, StoredSeries], newest: dict[int, NewestReading], lab: Lab | None, when: When
) -> list[dict[str, Any]]:
    """One row a probe: those of lab.yaml first, then those only the journal remembers."""
    heard: dict[str, int] = {}
    rows: dict[str, dict[str, Any]] = {}
    for probe in (probe for probe in lab.probes if probe.topic) if lab is not None else ():
        rows[probe.id] = {"id": probe.id, "at": probe.place, "last_heard": None, "flag": None, "newest": {}}
    current = {(p.id, p.place) for p in lab.probes} if lab is not None else set()
    for channel in series.values():
        if channel.measure not in PUBLISHED or (lab is not None and (channel.probe, channel.place) not in current):
            continue
        row = rows.setdefault(
            channel.probe, {"id": channel.probe, "at": channel.place, "last_heard": None, "flag": None, "newest": {}}
        )
        if channel.id in newest:
            reading = newest[channel.id]
            heard[channel.probe] = max(heard.get(channel.probe, reading.t_ms), reading.t_ms)
            row["last_heard"] = when(heard[channel.probe])
            _add_channel(row, channel, reading, when)
    return list(rows.values())


def _add_channel(row: dict[str, Any], series: StoredSeries, reading: NewestReading, when: When) -> None:
    row["newest"][series.measure] = {
        "time": when(reading.t_ms),
        "value": reading.value,
        "unit": series.unit,
        "flag": reading.flag,
    }
    row["flag"] = worst_flag(filter(None, (row["flag"], reading.flag)))


def worst_flag(flags: Iterable[int]) -> int:
    """The flag that most needs a look: fail before missing before suspect."""
    return int(max(flags, key=lambda flag: _FROM_BEST.index(Flag(flag))))


def alarm_row(held: HeldAlarm, series: dict[int, StoredSeries], when: When = iso) -> dict[str, Any]:
    state = held.state
    began = (state.since_ms, state.raised_ms, state.changed_ms)
    known = series.get(state.key.series)
    return {
        "name": state.key.rule,
        "at": known.place if known is not None else held.place or "broker",
        "state": str(state.state),
        "priority": held.priority,
        "since": at(when, next((at_ms for at_ms in began if at_ms), None)),
        "probe": known.probe if known is not None else "",
        "standing": state.state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED),
    }


def uplink_row(state: UplinkState | None, when: When) -> dict[str, Any] | None:
    """None where no uplink was ever set up."""
    if state is None:
        return None
    return {
        "sent_until": at(when, state.sent_until_ms),
        "lag_s": state.lag_s,
        "waiting": state.waiting,
        "set_aside": state.aside,
        "note": state.note,
    }


def uplink_words(state: UplinkState | None, when: When) -> str:
    """How far the uplink is, in a line."""
    if state is None:
        return "no uplink is set up"
    until = "nothing sent yet" if state.sent_until_ms is None else f"sent until {when(state.sent_until_ms)}"
    more = "or more " if state.waiting >= COUNTED else ""
    waits = f", {state.waiting} {more}waiting ({show_duration(state.lag_s * 1000)} behind)" if state.waiting else ""
    aside = f", {state.aside} lines set aside" if state.aside else ""
    return f"{until}{waits}{aside}" + (f"; {state.note}" if state.note else "")
