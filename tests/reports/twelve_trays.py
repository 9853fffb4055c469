"""A morning in a lab of three bins of four trays: one tray is dry, one probe is silent, and the rest is well."""

from dataclasses import replace
from datetime import date

from collector.domain.lab import Place, PlaceKind, Series
from collector.domain.readings import Flag, StoredReading
from collector.reports.digest import DigestView
from collector.reports.digest_alarms import Standing
from tests.alarms.shipped_sets import RULES
from tests.letters.examples import HOUR, LAB, ROOM, ROOM_AIR, at

MORNING = at(3, 7)
BINS = ("Juniper", "Maple", "Rowan")
TRAYS = ("top", "tray 2", "tray 3", "bottom")


def _bin(name: str) -> tuple[Place, ...]:
    key = name.lower()
    trays = (
        Place(
            id=f"{key}/{level + 1}",
            kind=PlaceKind.TRAY,
            label=f"{name}, {label if label.startswith('tray') else f'{label} tray'}",
            bin=key,
            tray=str(level + 1),
            level=level,
            area_m2=0.165,
            dry_kg=1.5,
        )
        for level, label in enumerate(TRAYS)
    )
    return Place(id=key, kind=PlaceKind.BIN, label=name, bin=key), *trays


PLACES = tuple(place for name in BINS for place in _bin(name))
TRAY_PLACES = tuple(place for place in PLACES if place.kind is PlaceKind.TRAY)
DRY, SILENT = "juniper/2", "maple/3"
"""Where it is dry, and whose probe is silent."""


def series_at(place: str, measure: str) -> Series:
    number = 10 * [one.id for one in TRAY_PLACES].index(place) + (measure == "bedding_moisture")
    return Series(
        id=100 + number, probe=place.replace("/", "-"), channel=measure.removeprefix("bedding_"), measure=measure,
        place=place, unit="%",
    )  # fmt: skip


def stored(series: Series, t_ms: int, value: float) -> StoredReading:
    return StoredReading(series=series.id, t_ms=t_ms, value=value, flag=Flag.PASS, raw=value, why=0)


def _readings() -> list[tuple[Series, StoredReading]]:
    found = []
    for number, place in enumerate(TRAY_PLACES):
        for measure, value in (("bedding_temperature", 20.5 + number * 0.1), ("bedding_moisture", 72.0 + number * 0.5)):
            value = 58.0 if place.id == DRY and measure == "bedding_moisture" else value
            t_ms = MORNING - (5 * HOUR if place.id == SILENT else 0)
            series = series_at(place.id, measure)
            found.append((series, stored(series, t_ms, value)))
    return [*found, (ROOM_AIR, stored(ROOM_AIR, MORNING, 20.0))]


VIEW = DigestView(
    lab=replace(LAB, places=(*PLACES, ROOM), probes=()),
    day=date(2025, 3, 3),
    now_ms=MORNING,
    newest=_readings(),
    standing=(
        Standing(
            rule=RULES["bedding-dry"],
            series=series_at(DRY, "bedding_moisture"),
            since_ms=at(3, 5, 10),
            acknowledged=False,
        ),
        Standing(
            rule=RULES["probe-silent"],
            series=replace(series_at(SILENT, "bedding_moisture"), channel="", measure=""),
            since_ms=at(3, 2, 30),
            acknowledged=False,
        ),
    ),
    past=(),
    diary=(),
    brews=(),
)
