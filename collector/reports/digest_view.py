"""Gathers from the journal what the digest tells."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from collector.alarms.model import LINK_SERIES, STANDING, Event, Rule, State
from collector.domain.diary import DiaryEntry, DiaryKind, last_brew
from collector.domain.lab import Lab, PlaceKind, Series
from collector.letters.local_time import utc
from collector.reports.ahead_view import back_at_ms, early_back_ms, trays_ahead
from collector.reports.digest import DAY_MS, BrewNow, DigestView
from collector.reports.digest_alarms import Past, Standing
from collector.reports.newest import newest_of
from collector.reports.pump import pump
from collector.store.reader import Reader
from collector.store.tables.alarm_rows import PastChange

_MOST_CHANGES = 20_000
_LOOK_BACK_MS = 30 * DAY_MS


def digest_view(lab: Lab, rules: Sequence[Rule], reader: Reader, since_ms: int, now_ms: int) -> DigestView:
    """What is so at `now_ms`, and what has come and gone since `since_ms`, when the last digest went out."""
    day = utc(now_ms).astimezone(ZoneInfo(lab.time_zone)).date()
    by_name = {rule.name: rule for rule in rules}
    with reader.snapshot():
        series = {stored.id: stored.as_series() for stored in reader.series()}
        diary = [entry for entry in reader.diary(now_ms - 400 * DAY_MS) if entry.struck_ms is None]
        early_ms = early_back_ms(lab, day)
        last_day = early_ms is None and lab.school_days.break_after(day) > 0
        back_ms = back_at_ms(lab, now_ms) if last_day else early_ms
        standing = _standing(by_name, series, reader, now_ms)
        stands = [(alarm.rule, alarm.series.place) for alarm in standing]
        return DigestView(
            lab=lab,
            day=day,
            now_ms=now_ms,
            newest=newest_of(lab, series, reader),
            standing=standing,
            past=_past(by_name, series, reader, since_ms),
            diary=diary,
            brews=_brews(lab, reader, diary, now_ms),
            ahead=trays_ahead(lab, rules, reader, diary, now_ms, back_ms, stands) if back_ms is not None else (),
            back_ms=back_ms,
            last_day=last_day,
        )


def _standing(rules: Mapping[str, Rule], series: Mapping[int, Series], reader: Reader, now_ms: int) -> list[Standing]:
    found = []
    for held in reader.alarms():
        state, rule = held.state, rules.get(held.state.key.rule)
        if rule is not None and state.state in STANDING:
            since_ms = next((ms for ms in (state.since_ms, state.raised_ms) if ms is not None), now_ms)
            where = series.get(state.key.series, LINK_SERIES)
            found.append(
                Standing(rule=rule, series=where, since_ms=since_ms, acknowledged=state.state is State.ACKNOWLEDGED)
            )
    return found


def _past(rules: Mapping[str, Rule], series: Mapping[int, Series], reader: Reader, since_ms: int) -> list[Past]:
    """What ended since then; when it began is read from its own change, however long ago that was."""
    ended = [change for change in reader.history(since_ms, _MOST_CHANGES) if _is_end(change)]
    return [
        Past(rule=rules[end.rule], series=series.get(end.series, LINK_SERIES), from_ms=_began(end), to_ms=end.t_ms)
        for end in reversed(ended)
        if end.rule in rules
    ]


def _is_end(change: PastChange) -> bool:
    """Of what people were called for, also where it was suppressed by design meanwhile, as a tray that was watered."""
    if change.event is Event.CLEARED and change.before is State.SUPPRESSED:
        return None not in (change.since_ms, change.raised_ms) and (change.since_ms or 0) <= (change.raised_ms or 0)
    return change.before in STANDING and change.event in (Event.CLEARED, Event.LATCHED)


def _began(change: PastChange) -> int:
    return next((ms for ms in (change.since_ms, change.raised_ms) if ms is not None), change.t_ms)


def _brews(lab: Lab, reader: Reader, diary: Iterable[DiaryEntry], now_ms: int) -> list[BrewNow]:
    brews, used = reader.brews(), [entry for entry in diary if entry.kind is DiaryKind.TEA_USED]
    found = []
    for place in (place.id for place in lab.places if place.kind is PlaceKind.BREWER):
        brew = last_brew(brews, place)
        if brew is not None and now_ms - brew.started_ms < _LOOK_BACK_MS:
            stopped_ms = pump(reader, place, brew.started_ms, now_ms)[1] if brew.running else brew.air_stopped_ms
            done = any(e.place == place and stopped_ms is not None and e.t_ms >= stopped_ms for e in used)
            found.append(BrewNow(brew, stopped_ms, done))
    return found


def due_day(lab: Lab, last_day: str, now_ms: int) -> date | None:
    """The day whose digest is due now: a school day, from the digest's time on and six hours at most after it, and no
    digest went out that day. `last_day` is the day of the last one, 'YYYY-MM-DD', empty for none."""
    local = utc(now_ms).astimezone(ZoneInfo(lab.time_zone))
    day, minute = local.date(), local.hour * 60 + local.minute
    late = minute - lab.telling.digest_minute
    if not lab.school_days.is_school_day(day) or not 0 <= late < 360 or was_done(last_day, day):
        return None
    return day


def was_done(last_day: str, day: date) -> bool:
    """Whether what is done once a day is done for `day`. A last day beyond tomorrow was noted under a clock that was
    ahead, and says nothing; tomorrow itself may be another time zone's today."""
    return day.isoformat() <= last_day <= (day + timedelta(days=1)).isoformat()
