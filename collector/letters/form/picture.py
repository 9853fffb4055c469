"""A small picture of the last days of one series, with the limit drawn in, and the same in words.

`wanted` reads what the letter asked for; the caller fetches the readings; `draw` makes the PNG. Nothing is said by
colour alone: the limit is dashed and named, the span between lowest and highest is an area, the mean a line.
"""

import io
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from collector.domain.units import MEASURES, show_value, shown_number, shown_unit
from collector.letters.local_time import clock_time, utc

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw

HOUR_MS = 3_600_000
SPAN_MS = 72 * HOUR_MS
RAW_MS = 6 * HOUR_MS
"""So much of the end is drawn from the readings themselves, which the hourly figures lag behind."""
_WIDTH, _HEIGHT, _FONT = 720, 400, 24
_LEFT, _RIGHT, _TOP, _BOTTOM = 104, 16, 20, 44
INK, LIMIT = "#1c1c1c", "#8a2f14"
"""Colours of what is written, on white."""
_AREA, _GRID = "#c3d3c6", "#dcdcd6"
_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_GAP_MS = 2 * HOUR_MS
"""No line is drawn over a longer stretch without readings."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture, and what it shows in words."""

    png: bytes
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What the letter asks for. `setpoint` in the measure's unit; None: no limit is drawn."""

    series: int
    measure: str
    title: str
    until_ms: int
    setpoint: float | None
    us: bool
    zone: str

    @property
    def since_ms(self) -> int:
        """Where the picture begins."""
        return self.until_ms - SPAN_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """An hour, or one reading, of which all three values are the same."""

    t_ms: int
    low: float
    mean: float
    high: float


def wanted(text: str) -> Wanted | None:
    """From the row's `picture`; None for what is no order of this program."""
    try:
        found = Wanted(**json.loads(text))
        ZoneInfo(found.zone)
        return found if found.measure in MEASURES else None
    except (ValueError, TypeError, LookupError, OSError):
        return None


def draw(order: Wanted, points: Sequence[Point]) -> Drawn | None:
    """PNG and words; None where there is too little to make a line. `points` in the order of their times."""
    points = [point for point in points if order.since_ms <= point.t_ms <= order.until_ms]
    if len(points) < 2:
        return None
    return Drawn(_Chart(order, points).png(), words(order, points))


def words(order: Wanted, points: Sequence[Point]) -> str:
    """The same as the picture, for those who do not see it."""
    zone = ZoneInfo(order.zone)

    def said(value: float, t_ms: int) -> str:
        return f"{show_value(order.measure, value, order.us)} at {clock_time(t_ms, zone, order.until_ms)}"

    lowest, highest = min(points, key=lambda point: point.low), max(points, key=lambda point: point.high)
    limit = f" Limit {show_value(order.measure, order.setpoint, order.us)}." if order.setpoint is not None else ""
    return (
        f"{order.title}, the last 3 days: lowest {said(lowest.low, lowest.t_ms)}, highest"
        f" {said(highest.high, highest.t_ms)}, last {said(points[-1].mean, points[-1].t_ms)}.{limit}"
    )


@dataclass(frozen=True, slots=True)
class _Chart:
    order: Wanted
    points: Sequence[Point]
    ends: tuple[float, float] = field(init=False)
    """Lowest and highest value on the scale, as it is shown."""

    def __post_init__(self) -> None:
        values = [end for point in self.points for end in (point.low, point.high)]
        values += [self.order.setpoint] if self.order.setpoint is not None else []
        low, high = self._shown(min(values)), self._shown(max(values))
        room = max(0.08 * (high - low), 0.25)
        object.__setattr__(self, "ends", (low - room, high + room))

    def png(self) -> bytes:
        from PIL import Image, ImageDraw, ImageFont  # only once something is drawn: it takes memory

        image = Image.new("RGB", (_WIDTH, _HEIGHT), "#ffffff")
        pen = ImageDraw.Draw(image)
        pen.font = ImageFont.load_default(_FONT)
        self._scale(pen)
        self._days(pen)
        for part in self._parts():
            self._line(pen, part)
        self._limit(pen)
        out = io.BytesIO()
        image.quantize(32).save(out, "PNG", optimize=True)
        return out.getvalue()

    def _scale(self, pen: "ImageDraw") -> None:
        low, high = self.ends
        step = next((step for step in _STEPS if (high - low) / step <= 4.5), (high - low) / 3)
        for number in range(math.ceil(low / step), math.floor(high / step) + 1):
            y = self._y_shown(number * step)
            pen.line([(_LEFT, y), (_WIDTH - _RIGHT, y)], fill=_GRID, width=2)
            pen.text((_LEFT - 10, y), f"{round(number * step, 2):g} {self._unit}", fill=INK, anchor="rm")

    def _days(self, pen: "ImageDraw") -> None:
        bottom = _HEIGHT - _BOTTOM
        for t_ms, name in self._midnights():
            x = self._x(t_ms)
            pen.line([(x, _TOP), (x, bottom)], fill=_GRID, width=2)
            if x < _WIDTH - _RIGHT - 120:
                pen.text((x + 6, bottom + 8), name, fill=INK, anchor="la")
        pen.text((_WIDTH - _RIGHT, bottom + 8), "now", fill=INK, anchor="ra")
        pen.line([(_LEFT, bottom), (_WIDTH - _RIGHT, bottom)], fill=INK, width=2)

    def _midnights(self) -> Iterator[tuple[int, str]]:
        zone = ZoneInfo(self.order.zone)
        day = utc(self.order.since_ms).astimezone(zone).date()
        for _ in range(5):
            begin = datetime(day.year, day.month, day.day, tzinfo=zone)
            t_ms = round(begin.timestamp()) * 1000
            if self.order.since_ms < t_ms < self.order.until_ms:
                yield t_ms, f"{begin:%a}"
            day += timedelta(days=1)

    def _parts(self) -> Iterator[list[Point]]:
        """Stretches without a gap."""
        part: list[Point] = []
        for point in self.points:
            if part and point.t_ms - part[-1].t_ms > _GAP_MS:
                yield part
                part = []
            part.append(point)
        yield part

    def _line(self, pen: "ImageDraw", part: Sequence[Point]) -> None:
        if len(part) == 1:
            x, y = self._x(part[0].t_ms), self._y(part[0].mean)
            pen.ellipse([(x - 3, y - 3), (x + 3, y + 3)], fill=INK)
            return
        upper = [(self._x(point.t_ms), self._y(point.high)) for point in part]
        lower = [(self._x(point.t_ms), self._y(point.low)) for point in reversed(part)]
        pen.polygon([*upper, *lower], fill=_AREA)
        pen.line([(self._x(point.t_ms), self._y(point.mean)) for point in part], fill=INK, width=4, joint="curve")

    def _limit(self, pen: "ImageDraw") -> None:
        level = self.order.setpoint
        if level is None:
            return
        y = self._y(level)
        for x in range(_LEFT, _WIDTH - _RIGHT, 24):
            pen.line([(x, y), (min(x + 14, _WIDTH - _RIGHT), y)], fill=LIMIT, width=4)
        told = f"limit {show_value(self.order.measure, level, self.order.us)}"
        above = y > _TOP + 40
        at = (_LEFT + 8, y - 6 if above else y + 6)
        anchor = "lb" if above else "la"
        pen.rectangle(pen.textbbox(at, told, anchor=anchor), fill="#ffffff")
        pen.text(at, told, fill=LIMIT, anchor=anchor)

    # From values to places

    @property
    def _unit(self) -> str:
        return shown_unit(self.order.measure, self.order.us)

    def _shown(self, value: float) -> float:
        return shown_number(self.order.measure, value, self.order.us)

    def _x(self, t_ms: int) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (t_ms - self.order.since_ms) / SPAN_MS

    def _y(self, value: float) -> float:
        return self._y_shown(self._shown(value))

    def _y_shown(self, value: float) -> float:
        low, high = self.ends
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - value) / (high - low)
