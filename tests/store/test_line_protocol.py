"""Lines read by a parser that is not ours: what goes in comes out, whatever is in the names."""

import io
import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_protocol_parser import parse_line

from collector.store.batch import Batch
from collector.store.export import export
from collector.store.line_protocol import FieldValue, LabTags, line, line_head, plain, reading_line
from collector.store.reader import Reader
from collector.uplink.points import lines_of
from collector.uplink.queue import UplinkStore
from tests.store.samples import MINUTE, T0, good, opened, with_series

WORDS = st.text(st.sampled_from("ab, =\\\"\u00e4\n#'"), min_size=1, max_size=12)
NAMES = st.sampled_from(("bin", "place", "probe", "tray"))


@settings(max_examples=80)
@given(
    measurement=WORDS.map(lambda text: f"m{text}"),  # ours never begin with '#', which begins a comment
    tags=st.dictionaries(NAMES, WORDS, max_size=4),
    text=WORDS,
    number=st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=False),  # which the parser cannot read
    time=st.integers(-(2**52), 2**52),
)
def test_what_goes_in_comes_out(measurement: str, tags: dict[str, str], text: str, number: float, time: int) -> None:
    """Names, tags, texts and numbers to the last bit, with whatever the protocol reserves inside them."""
    written = line(
        line_head(measurement, tags), {"text": text, "number": number, "yes": True, "no": False, "n": 3}, time
    )
    assert "\n" not in written
    point = parse_line(written)
    assert point["time"] == time
    assert point["fields"] == {"text": plain(text), "number": number, "yes": True, "no": False, "n": 3}
    assert point["tags"] == {name: plain(tag) for name, tag in tags.items()}
    assert point["measurement"] == plain(measurement)


def test_what_says_nothing_is_left_out() -> None:
    """No text, no number, a number that is none: no field. Without a field there is no line, without text no tag."""
    head = line_head("m", {"bin": "", "tray": "top"})
    assert head == "m,tray=top"
    assert line(head, {"a": None, "b": "", "c": math.nan, "d": math.inf}, 5) == ""
    assert line(head, {"a": None, "b": 0.0}, 5) == "m,tray=top b=0 5"


def test_a_long_text_is_cut() -> None:
    """A field holds 4,000 characters."""
    assert line("m", {"note": "x" * 9_000}, 1) == f'm note="{"x" * 4_000}" 1'


@pytest.mark.parametrize(
    ("value", "raw"), [(21.5, 1800.0), (None, 3.0), (None, None), (math.nan, math.inf), (-0.0, 1e-7)]
)
def test_a_reading_is_written_as_any_line(value: float | None, raw: float | None) -> None:
    """The quick way for millions of readings gives what the general one gives."""
    fields: dict[str, FieldValue] = {"value": value, "flag": 9, "raw": raw}
    assert reading_line("m,bin=maple", T0, value, 9, raw) == line("m,bin=maple", fields, T0)


def test_an_export_has_the_lines_of_the_uplink(tmp_path: Path) -> None:
    """The same series under the same tags, with the same fields; only the unit of the time is that of a file."""
    lab = LabTags("Quillbrook School", "north")
    out = io.StringIO()
    with opened(tmp_path) as journal:
        ids = with_series(journal)
        rows = [
            good(T0 + MINUTE * n, ids[n % len(ids)], None if n == 4 else n / 3, 9 if n == 4 else 1) for n in range(9)
        ]
        journal.commit(Batch(rows=rows), T0)
        with UplinkStore(journal.path) as store:
            sent = lines_of(store.take(T0 + 60 * MINUTE, 100), store.series(), lab)
        with Reader(journal.path) as reader:
            assert export(reader, "lines", out, lab=lab) == len(rows)
    assert out.getvalue().splitlines() == [f"{each}000000" for each in sent]
