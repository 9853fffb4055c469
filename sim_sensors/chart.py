"""Pictures of stories as plain SVG: a group for each place, a panel for each quantity, a row for each fault and harm.

Nothing is told by colour alone: truth is a line, readings are dots, harms are solid bars and faults hatched ones, each
with its name beside it; messages are numbered lines, told in full below.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from xml.sax.saxutils import escape

from sim_sensors.story import ON_OFF, Panel, Place, Points, Span, Story

WIDTH, LEFT, RIGHT = 1240, 250, 50
PANEL, GAP, ROW, LINE = 110, 18, 18, 17
_PLOT = WIDTH - LEFT - RIGHT
_HOUR = 3_600_000
_STEPS_MS = [
    minutes * 60_000 for minutes in (1, 5, 10, 30, 60, 120, 360, 720, 1440, 2880, 10080, 20160, 43200, 86400, 259200)
]
_NARROWEST = {"degC": 2.0, "% wet basis": 4.0, "%RH": 10.0, "mg/L": 2.0, "% of the sump": 10.0}
"""The least span of an axis, so that noise alone does not fill it."""
_STYLE = """\
text{font-family:sans-serif;font-size:13px;fill:#1c1c1c}
.title{font-size:17px;font-weight:bold}.place{font-size:15px;font-weight:bold}.small{font-size:12px}
.note{paint-order:stroke;stroke:#fff;stroke-width:4px}
.truth{fill:none;stroke:#1c1c1c;stroke-width:1.6}.reading{fill:#0b62a3}.frame{fill:none;stroke:#8a8a8a}
.grid{stroke:#e2e2e2}.lasting{font-size:10px;fill:#fff}.by{fill:#1c1c1c;stroke:#fff}.harm{fill:#a3151f}.fault{fill:url(#hatch);stroke:#555}
.message{stroke:#6b2fa0;stroke-width:1.3;stroke-dasharray:5 3}.tag{font-weight:bold;fill:#6b2fa0}"""
_HATCH = (
    '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect width="7" height="7" fill="#fff"/><line x1="0" y1="0" x2="0" y2="7" stroke="#555" stroke-width="3"/>'
    "</pattern></defs>"
)


@dataclass(frozen=True, slots=True)
class _Times:
    begin_ms: int
    end_ms: int

    def x(self, t_ms: float) -> float:
        share = (t_ms - self.begin_ms) / (self.end_ms - self.begin_ms)
        return round(LEFT + _PLOT * min(1.0, max(0.0, share)), 1)

    def holds(self, t_ms: int) -> bool:
        return self.begin_ms <= t_ms <= self.end_ms


def svg(story: Story, places: Iterable[str] = ()) -> str:
    """The picture; with no places named, those where something is amiss or told, or else all of them."""
    times = _Times(story.begin_ms, max(story.end_ms, story.begin_ms + 1))
    parts, y = list(_head(story)), 78.0
    for name in chosen(story, places):
        drawn, y = _group(story, name, story.places[name], times, y)
        parts += drawn
    drawn, y = _told(story, times, y)
    parts += drawn
    size = f'width="{WIDTH}" height="{y + 10:.0f}" viewBox="0 0 {WIDTH} {y + 10:.0f}"'
    whole = [f'<svg xmlns="http://www.w3.org/2000/svg" {size}>', f"<style>{_STYLE}</style>", _HATCH]
    return "\n".join([*whole, f'<rect width="{WIDTH}" height="{y + 10:.0f}" fill="#fff"/>', *parts, "</svg>"]) + "\n"


def chosen(story: Story, places: Iterable[str] = ()) -> list[str]:
    named = list(places)
    if named:
        return named
    drawn = [name for name, place in story.places.items() if place.panels or place.spans]
    told = [name for name in drawn if any(_concerns(message.place, name) for message in story.messages)]
    amiss = [name for name in drawn if story.places[name].spans or name in told]
    return amiss or drawn


def _concerns(about: str, place: str) -> bool:
    return about in ("", place) or place.startswith(f"{about}/")


def _text(x: float, y: float, words: str, style: str = "", anchor: str = "start") -> str:
    return f'<text x="{x:g}" y="{y:g}" class="{style}" text-anchor="{anchor}">{escape(words)}</text>'


def _head(story: Story) -> Iterator[str]:
    yield _text(20, 28, story.title, "title")
    x, y = 20.0, 54
    yield f'<line x1="{x}" y1="{y - 4}" x2="{x + 30}" y2="{y - 4}" class="truth"/>'
    yield _text(x + 36, y, "line: truth")
    yield "".join(f'<circle cx="{x + 140 + 8 * n}" cy="{y - 4}" r="1.8" class="reading"/>' for n in range(4))
    yield _text(x + 174, y, "dots: readings")
    yield f'<rect x="{x + 300}" y="{y - 11}" width="30" height="12" class="harm"/>'
    yield _text(x + 336, y, "solid bar: harm")
    yield f'<rect x="{x + 460}" y="{y - 11}" width="30" height="12" class="fault"/>'
    yield _text(x + 496, y, "hatched bar: fault")
    yield f'<path d="M{x + 632} {y - 10}h10l-5 9z" class="by"/>'
    yield _text(x + 648, y, "triangle: to be known by then")
    yield f'<line x1="{x + 860}" y1="{y - 4}" x2="{x + 890}" y2="{y - 4}" class="message"/>'
    yield _text(x + 896, y, "numbered line: message to people, listed below")


def _group(story: Story, name: str, place: Place, times: _Times, y: float) -> tuple[list[str], float]:
    """A place: its panels, its rows, the messages about it. Returns what is drawn and where the next may begin."""
    parts = [_text(20, y + 18, name, "place")]
    top = y = y + 28
    for quantity, panel in place.panels.items():
        parts += _panel(quantity, panel, times, y)
        y += PANEL + GAP
    for label, spans in _rows(place.spans).items():
        parts.append(_text(LEFT - 8, y + 12, label, "small", "end"))
        parts += [_bar(span, times, y) for span in spans]
        y += ROW
    parts[1:1] = _ticks(times, top, y)
    for number, message in enumerate(story.messages, 1):
        if _concerns(message.place, name) and times.holds(message.t_ms):
            x = times.x(message.t_ms)
            parts.append(f'<line x1="{x}" y1="{top - 4}" x2="{x}" y2="{y}" class="message"/>')
            parts.append(_text(x + 3, top + 2, str(number), "tag"))
    return parts, y + 46


def _rows(spans: Iterable[Span]) -> dict[str, list[Span]]:
    rows: dict[str, list[Span]] = {}
    for span in sorted(spans, key=lambda span: (span.kind != "harm", span.begin_ms)):
        rows.setdefault(f"{span.kind}: {span.name}", []).append(span)
    return rows


def _bar(span: Span, times: _Times, y: float) -> str:
    begin, end = times.x(span.begin_ms), times.x(times.end_ms if span.end_ms is None else span.end_ms)
    style = "harm" if span.kind == "harm" else "fault"
    bar = f'<rect x="{begin}" y="{y + 2}" width="{max(2.0, round(end - begin, 1))}" height="12" class="{style}"/>'
    if span.lasting_ms is not None and times.holds(span.lasting_ms):
        x = times.x(span.lasting_ms)
        bar += f'<line x1="{x}" y1="{y + 2}" x2="{x}" y2="{y + 14}" stroke="#fff" stroke-width="2"/>'
        bar += f'<text x="{x + 4}" y="{y + 12}" class="lasting">lasting</text>'
    if span.know_by_ms is not None and times.holds(span.know_by_ms):
        x = times.x(span.know_by_ms)
        bar += f'<path d="M{x - 5} {y - 3}h10l-5 9z" class="by"/>'
    return bar


def _panel(quantity: str, panel: Panel, times: _Times, y: float) -> Iterator[str]:
    low, high, step = _axis(panel)

    def at(value: float) -> float:
        return round(y + PANEL * (high - value) / (high - low), 1)

    decimals = max(0, -math.floor(math.log10(step)))
    for n in range(round((high - low) / step) + 1):
        mark = low + n * step
        yield f'<line x1="{LEFT}" y1="{at(mark)}" x2="{LEFT + _PLOT}" y2="{at(mark)}" class="grid"/>'
        yield _text(LEFT - 8, at(mark) + 4, f"{mark:.{decimals}f}", "small", "end")
    yield f'<rect x="{LEFT}" y="{y}" width="{_PLOT}" height="{PANEL}" class="frame"/>'
    yield _text(20, y + PANEL / 2, f"{quantity},")
    yield _text(20, y + PANEL / 2 + LINE, panel.unit)
    inside = [(t, v) for t, v in panel.readings if low <= v <= high and times.holds(t)]
    yield "".join(f'<circle cx="{x:g}" cy="{at(v)}" r="1.4" class="reading"/>' for x, v in _thinned(inside, times))
    for piece in _pieces(panel.truth):
        line = " ".join(f"{x:g},{at(v)}" for x, v in _thinned(piece, times))
        yield f'<polyline points="{line}" class="truth"/>'
    outside = [v for _, v in panel.readings if not low <= v <= high]
    if outside:
        worst = f"{min(outside):g}" if min(outside) == max(outside) else f"{min(outside):g} to {max(outside):g}"
        many = "readings" if len(outside) > 1 else "reading"
        yield _text(
            LEFT + _PLOT - 6, y + PANEL - 6, f"{len(outside)} {many} off the axis: {worst}", "small note", "end"
        )


def _pieces(points: Points) -> Iterator[Points]:
    """The points, parted where there was nothing to tell of for a while: no line is drawn across that."""
    usual = sorted(after - before for (before, _), (after, _) in pairwise(points))
    longest = 2 * usual[len(usual) // 2] if usual else 0
    begin = 0
    for n, ((before, _), (after, _)) in enumerate(pairwise(points), 1):
        if after - before > longest:
            yield points[begin:n]
            begin = n
    yield points[begin:]


def _thinned(points: Points, times: _Times) -> list[tuple[float, float]]:
    """(x, value); of the points that fall into one pixel only the first, the least and the greatest."""
    columns: dict[int, list[tuple[float, float]]] = {}
    for t_ms, value in points:
        x = times.x(t_ms)
        columns.setdefault(int(x), []).append((x, value))
    kept = []
    for column in columns.values():
        few = {column[0], min(column, key=lambda p: p[1]), max(column, key=lambda p: p[1])}
        kept += sorted(few)
    return kept


def _axis(panel: Panel) -> tuple[float, float, float]:
    """(low, high, step): round numbers around the truth, and around readings no further off than the truth spans."""
    if panel.unit == ON_OFF:
        return 0.0, 1.0, 1.0
    values = [v for _, v in panel.truth] or [v for _, v in panel.readings] or [0.0]
    low, high = min(values), max(values)
    room = max(high - low, _NARROWEST.get(panel.unit, 1.0)) / 2
    near = [v for _, v in panel.readings if low - 2 * room <= v <= high + 2 * room]
    low, high = min([low, *near]), max([high, *near])
    if high - low < 2 * room:
        middle = (low + high) / 2
        low, high = middle - room, middle + room
    step = _round_step((high - low) / 3)
    return math.floor(low / step) * step, math.ceil(high / step) * step, step


def _round_step(about: float) -> float:
    """The next 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(f * power for f in (1, 2, 5, 10) if f * power >= about * 0.999)


def _ticks(times: _Times, top: float, y: float) -> Iterator[str]:
    length = times.end_ms - times.begin_ms
    step = next((one for one in _STEPS_MS if length / one <= 9), _STEPS_MS[-1])
    for t_ms in range(-(-times.begin_ms // step) * step, times.end_ms + 1, step):
        x = times.x(t_ms)
        yield f'<line x1="{x}" y1="{top}" x2="{x}" y2="{y + 4}" class="grid"/>'
        yield _text(x, y + 18, _moment(t_ms, step), "small", "middle")
    yield _text(20, y + 18, "time, UTC", "small")


def _moment(t_ms: int, step_ms: int) -> str:
    moment = datetime.fromtimestamp(t_ms / 1000, UTC)
    if step_ms < 24 * _HOUR:
        return f"{moment:%a %H:%M}"
    return f"{moment:%Y-%m-%d}"


def _told(story: Story, times: _Times, y: float) -> tuple[list[str], float]:
    if not story.messages:
        return [], y
    parts = [_text(20, y + 10, "Messages", "place")]
    for number, message in enumerate(story.messages, 1):
        y += LINE
        about = f"{message.place}: " if message.place else ""
        when = _moment(message.t_ms, 0) if times.holds(message.t_ms) else "not in this picture"
        parts.append(_text(20, y + 12, f"{number}. {when}, {about}{message.subject}"))
    return parts, y + 20
