"""What the air pump of a brewer has done, from the journal."""

from collector.domain.readings import CLEAN
from collector.store.reader import Reader


def pump(reader: Reader, place: str, from_ms: int, until_ms: int) -> tuple[bool | None, int | None]:
    """(whether the air pump of a brewer runs, since when it is off), by its good readings in the stretch; None where
    there are none, and where it is on."""
    series = [stored.id for stored in reader.series() if stored.place == place and stored.measure == "air_pump"]
    runs, off_ms = None, None
    for t_ms, _, value, flag, _, _ in reader.readings(from_ms, until_ms + 1, series):
        if flag in CLEAN and value is not None:
            runs = value >= 0.5
            off_ms = None if runs else t_ms if off_ms is None else off_ms
    return runs, off_ms
