"""The table `series`: what makes a series, and the number that the journal gives it."""

import sqlite3
from dataclasses import dataclass

from collector.domain.lab import Series, SeriesKey
from collector.store.tables.rows import insert, select, select_one


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSeries:
    """A series as the journal knows it; `bin` and `tray` are empty where the place is none."""

    id: int
    probe: str
    channel: str
    measure: str
    place: str
    bin: str
    tray: str
    unit: str

    @property
    def key(self) -> SeriesKey:
        return SeriesKey(probe=self.probe, channel=self.channel, measure=self.measure, place=self.place)

    def as_series(self) -> Series:
        return Series(
            id=self.id, probe=self.probe, channel=self.channel, measure=self.measure, place=self.place, unit=self.unit
        )


_NAMES = "id, probe, channel, measure, place, bin, tray, unit"
_SERIES = f"SELECT {_NAMES} FROM series ORDER BY id"  # noqa: S608 - own names
_MADE = insert(
    "series",
    ("probe", "channel", "measure", "place", "bin", "tray", "unit", "created_ms"),
    on_conflict=f"""ON CONFLICT(probe, channel, measure, place)
        DO UPDATE SET unit = excluded.unit, bin = excluded.bin, tray = excluded.tray RETURNING {_NAMES}""",
)


def series(db: sqlite3.Connection) -> list[StoredSeries]:
    """Every series ever made, by number."""
    return [StoredSeries(**row) for row in select(db, _SERIES)]


def known_as(db: sqlite3.Connection, key: SeriesKey, *, unit: str, bin_: str, tray: str, now_ms: int) -> StoredSeries:
    """The series of this key, made where it is new; unit, bin and tray are those given."""
    place = {"probe": key.probe, "channel": key.channel, "measure": key.measure, "place": key.place}
    row = select_one(db, _MADE, {**place, "bin": bin_, "tray": tray, "unit": unit, "created_ms": now_ms})
    if row is None:
        raise AssertionError  # RETURNING gives the row, new or changed
    return StoredSeries(**row)
