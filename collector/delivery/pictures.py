"""Draws what a message wants drawn, just before it is sent, from the journal as it is then."""

from pathlib import Path

from collector.config.log import Log
from collector.delivery.port import Draw, OutboxRow
from collector.domain.readings import CLEAN
from collector.letters.form.picture import HOUR_MS, RAW_MS, Drawn, Point, Wanted, draw, wanted
from collector.store.reader import Reader


def drawing(database: Path, log: Log) -> Draw:
    """What the channels call for each message. Whatever goes wrong, the message goes out, without a picture."""

    def make(row: OutboxRow) -> Drawn | None:
        try:
            order = wanted(row.picture)
            return None if order is None else draw(order, points_of(database, order))
        except Exception as error:  # noqa: BLE001  a picture never holds a message back
            log.warning(f"picture of message {row.id} left out: {type(error).__name__}: {error}".replace("\n", " "))
            return None

    return make


def points_of(database: Path, order: Wanted) -> list[Point]:
    """Hours of the last days, and the last hours reading by reading; only good ones."""
    edge_ms = (order.until_ms - RAW_MS) // HOUR_MS * HOUR_MS
    with Reader(database) as reader:
        hours = [
            Point(t_ms=int(hour.start) + HOUR_MS // 2, low=hour.low, mean=hour.mean, high=hour.high)
            for hour in reader.hourly(order.since_ms, edge_ms)
            if hour.series == order.series and hour.low is not None and hour.mean is not None and hour.high is not None
        ]
        tail = reader.recent([order.series], edge_ms, order.until_ms + 1).get(order.series)
    if tail is None:
        return hours
    rows = zip(tail.t_ms.tolist(), tail.value.tolist(), tail.flag.tolist(), strict=True)
    return hours + [
        Point(t_ms=t_ms, low=value, mean=value, high=value)
        for t_ms, value, flag in rows
        if flag in CLEAN and value == value
    ]
