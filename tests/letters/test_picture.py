"""The picture of the last days: what is drawn, in which words, and that nothing odd breaks it."""

import json
import math
from dataclasses import replace
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from collector.letters.form.picture import HOUR_MS, Point, Wanted, draw, wanted, words
from tests.letters.examples import NOW
from tests.letters.letters import letter

ORDER = Wanted(
    series=3,
    measure="bedding_temperature",
    title="Juniper, top tray: bedding temperature",
    until_ms=NOW,
    setpoint=30.0,
    us=False,
    zone="America/Chicago",
)
LIMIT_INK = (0x8A, 0x2F, 0x14)


def flat(value: float, hours: range = range(72)) -> list[Point]:
    return [Point(t_ms=NOW - (71 - hour) * HOUR_MS, low=value - 0.5, mean=value, high=value + 0.5) for hour in hours]


def image_of(order: Wanted, points: list[Point]) -> Image.Image:
    drawn = draw(order, points)
    assert drawn is not None
    return Image.open(BytesIO(drawn.png)).convert("RGB")


def rows_with(image: Image.Image, ink: tuple[int, int, int], least: int) -> list[int]:
    """Rows of the picture with at least so many points of about this colour."""
    near = (np.abs(np.asarray(image, dtype=int) - ink) < 16).all(axis=2)
    return np.flatnonzero(near.sum(axis=1) >= least).tolist()


def test_a_letter_asks_for_what_can_be_drawn() -> None:
    """What the letter writes is what is read here."""
    assert wanted(letter().picture) == ORDER


@pytest.mark.parametrize(
    "text",
    ["", "x", "[]", "{}", json.dumps({"series": 3}), '{"measure":"x"}', letter().picture.replace("America", "Nowhere")],
)
def test_what_is_no_order_is_no_picture(text: str) -> None:
    """Rows of other versions and empty ones."""
    assert wanted(text) is None


def test_an_unknown_measure_is_no_picture() -> None:
    """There would be no unit to write beside the scale."""
    assert wanted(letter().picture.replace("bedding_temperature", "bedding_ph")) is None


def test_the_limit_is_drawn_where_it_is() -> None:
    """A dashed line above readings that are below it, and below those above; none where there is no limit."""
    for value, above in ((24.0, True), (36.0, False)):
        image = image_of(ORDER, flat(value))
        (limit, *_), (line, *_) = rows_with(image, LIMIT_INK, 300), rows_with(image, (0x1C, 0x1C, 0x1C), 300)
        assert (limit < line) == above
    assert not rows_with(image_of(replace(ORDER, setpoint=None), flat(24.0)), LIMIT_INK, 1)


def test_a_gap_is_no_line_and_a_lone_reading_a_dot() -> None:
    """Nothing is drawn over a day of silence; a reading between two silences is still seen."""
    order, ink = replace(ORDER, setpoint=None), (0x1C, 0x1C, 0x1C)
    middle, *_ = rows_with(image_of(order, flat(24.0)), ink, 300)
    image = image_of(order, [*flat(24.0, range(40)), *flat(24.0, range(64, 65))])
    strip = np.asarray(image, dtype=int)[middle - 2 : middle + 6]
    inked = np.flatnonzero((np.abs(strip - ink) < 16).all(axis=2).any(axis=0))
    (gap,) = np.flatnonzero(np.diff(inked) > 100)
    line, dot = inked[: gap + 1], inked[gap + 1 :]
    assert line.size > 200
    assert 4 <= dot.size <= 9


def test_it_is_small() -> None:
    """A few kilobytes, as wide as a phone needs."""
    drawn = draw(ORDER, [replace(point, mean=24 + math.sin(n / 4)) for n, point in enumerate(flat(24.0))])
    assert drawn is not None
    assert len(drawn.png) < 12_000
    assert Image.open(BytesIO(drawn.png)).size == (720, 400)


def test_the_words_say_the_same() -> None:
    """Lowest, highest and last with their times, and the limit, in the lab's unit."""
    points = [*flat(24.0, range(10, 60)), Point(t_ms=NOW, low=31.2, mean=31.2, high=31.2)]
    assert words(ORDER, points) == (
        "Juniper, top tray: bedding temperature, the last 3 days: lowest 23.5 °C at Friday 21:20, highest 31.2 °C at"
        " 10:20, last 31.2 °C at 10:20. Limit 30.0 °C."
    )
    assert "Limit 86.0 °F." in words(replace(ORDER, us=True), points)
    assert "Limit" not in words(replace(ORDER, setpoint=None), points)


def test_too_little_is_not_drawn() -> None:
    """One reading is no line; what is older than three days does not count."""
    assert draw(ORDER, flat(24.0)[:1]) is None
    assert draw(ORDER, [replace(point, t_ms=point.t_ms - 100 * HOUR_MS) for point in flat(24.0)]) is None


@settings(max_examples=15, deadline=None)
@given(
    values=st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=12),
    setpoint=st.none() | st.floats(-1e6, 1e6),
    us=st.booleans(),
    zone=st.sampled_from(["UTC", "America/Chicago", "Pacific/Apia"]),
    step=st.sampled_from([HOUR_MS, 5 * HOUR_MS]),
)
def test_any_readings_can_be_drawn(values: list[float], setpoint: float | None, us: bool, zone: str, step: int) -> None:
    """Flat, huge, tiny, with gaps: always a picture of the same size."""
    points = [Point(t_ms=NOW - n * step, low=value, mean=value, high=value) for n, value in enumerate(values)][::-1]
    assert image_of(replace(ORDER, setpoint=setpoint, us=us, zone=zone), points).size == (720, 400)
