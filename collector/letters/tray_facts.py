"""What is known of a tray at one moment, from the newest readings, the diary and the alarms that stand."""

from collections.abc import Iterable, Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from collector.alarms.kinds.table import direction
from collector.alarms.model import SQUEEZE_TEST, Rule
from collector.domain.diary import DiaryEntry, DiaryKind
from collector.domain.lab import Lab, Place, PlaceKind, Series
from collector.domain.readings import StoredReading, Why
from collector.husbandry.bounds import OWN_SCALE_PCT, PROBE_PCT
from collector.husbandry.watering import PORTION_L, TrayNow
from collector.letters.advice import too_dry
from collector.letters.doubtful import is_usable
from collector.letters.local_time import utc

FRESH_MS = 6 * 3_600_000
"""Amounts follow from no older moisture than this: bedding changes by the day (common practice, no source)."""
FELT_MS = 12 * 3_600_000
"""A squeeze test counts for so long: the school day it was made on (common practice, no source)."""
_FED_MS = 60 * 86_400_000
"""So long back the diary is asked which tray is fed."""

Newest = Sequence[tuple[Series, StoredReading]]
"""The newest reading of each series."""
Stands = Sequence[tuple[Rule, str]]
"""Each alarm that stands, and its place."""


def tray_now(
    lab: Lab, place: str, newest: Newest, diary: Sequence[DiaryEntry], stands: Stands, now_ms: int
) -> TrayNow | None:
    """None where the place is no tray of the lab."""
    tray = lab.by_id.get(place)
    if tray is None or tray.kind is not PlaceKind.TRAY:
        return None
    squeezed = _squeezed(tray, diary, now_ms)
    of_bin = {place.id for place in lab.places if place.bin and place.bin == tray.bin}
    moisture = newest_fresh(newest, "bedding_moisture", {place}, now_ms)
    moisture_pct = None if moisture is None else moisture[1].value
    here = [rule for rule, where in stands if where == place]
    return TrayNow(
        moisture_pct=moisture_pct,
        probe_pct=PROBE_PCT if moisture is None else _off_pct(lab, moisture[0]),
        beyond_points=moisture is not None and bool(moisture[1].why & Why.CALIBRATION),
        feel=squeezed.result if squeezed is not None else None,
        felt_ms=squeezed.t_ms if squeezed is not None else None,
        doubted=any(rule.against == SQUEEZE_TEST for rule in here) or (moisture_pct is None and _both_ways(here)),
        dry_kg=tray.dry_kg,
        area_m2=tray.area_m2,
        poured_l=_poured_l(lab, tray, diary, now_ms),
        sump_pct=fresh(newest, "leachate_level", of_bin, now_ms),
        sump_stands=any(_too_full(rule) and where in of_bin for rule, where in stands),
        fed=place == fed_tray(lab, tray.bin, diary, now_ms),
    )


def fresh(newest: Newest, measure: str, places: Iterable[str], now_ms: int) -> float | None:
    """What is measured at these places by the newest usable reading of several probes; None where that is older than
    FRESH_MS."""
    found = newest_fresh(newest, measure, places, now_ms)
    return None if found is None else found[1].value


def newest_fresh(
    newest: Newest, measure: str, places: Iterable[str], now_ms: int
) -> tuple[Series, StoredReading] | None:
    """That reading, and its series."""
    here = ((series, last) for series, last in newest if series.measure == measure and series.place in places)
    found = max((pair for pair in here if is_usable(pair[1])), key=lambda pair: pair[1].t_ms, default=None)
    return None if found is None or now_ms - found[1].t_ms > FRESH_MS else found


def _off_pct(lab: Lab, series: Series) -> float:
    """By how many points a moisture may be off: what is known is whether somebody has calibrated the probe here."""
    channels = (channel for probe in lab.probes if probe.id == series.probe for channel in probe.channels)
    calibrated = any(channel.calibrations for channel in channels if channel.key == series.channel)
    return PROBE_PCT if calibrated else OWN_SCALE_PCT


def fed_tray(lab: Lab, bin_: str, diary: Sequence[DiaryEntry], now_ms: int) -> str:
    """Where food goes: the tray that was noted as fed last, else the top one; empty where the bin has none."""
    trays = sorted((tray for tray in lab.places if tray.kind is PlaceKind.TRAY and tray.bin == bin_), key=_level)
    known = {tray.id for tray in trays}
    fed = [
        entry
        for entry in diary
        if entry.kind is DiaryKind.FED and entry.place in known and now_ms - entry.t_ms < _FED_MS
    ]
    last = max(filter(_counts, fed), key=_time, default=None)
    return last.place if last is not None else trays[0].id if trays else ""


def _squeezed(tray: Place, diary: Sequence[DiaryEntry], now_ms: int) -> DiaryEntry | None:
    """The last squeeze test of the tray, unless water came after it."""
    changes = (DiaryKind.SQUEEZE, DiaryKind.WATERED)
    here = [entry for entry in diary if entry.kind in changes and entry.place in (tray.id, tray.bin) and _counts(entry)]
    last = max(here, key=lambda entry: (entry.t_ms, entry.id), default=None)
    if last is None or last.kind is not DiaryKind.SQUEEZE or now_ms - last.t_ms > FELT_MS:
        return None
    return last


def _poured_l(lab: Lab, tray: Place, diary: Sequence[DiaryEntry], now_ms: int) -> float:
    """What it had today. What was noted for the whole bin counts as if this tray had all of it."""
    zone = ZoneInfo(lab.time_zone)
    local = utc(now_ms).astimezone(zone)
    midnight = local - timedelta(hours=local.hour, minutes=local.minute, seconds=local.second)
    since_ms = round(midnight.timestamp()) * 1000
    poured = [
        PORTION_L if entry.amount is None else entry.amount
        for entry in diary
        if entry.kind is DiaryKind.WATERED
        and entry.place in (tray.id, tray.bin)
        and _counts(entry)
        and since_ms <= entry.t_ms <= now_ms
    ]
    return sum(poured, 0.0)


def _both_ways(rules: Iterable[Rule]) -> bool:
    """Whether alarms say that it is too dry and that it is too wet: one of them is of before, a hand finds which."""
    return {True, False} <= {too_dry(rule, rule.measure) for rule in rules}


def _too_full(rule: Rule) -> bool:
    return rule.measure == "leachate_level" and direction(rule) > 0


def _counts(entry: DiaryEntry) -> bool:
    return entry.struck_ms is None


def _time(entry: DiaryEntry) -> tuple[int, int]:
    return entry.t_ms, entry.id


def _level(place: Place) -> int:
    return place.level
