"""Lines for the other end, read by a parser that is not ours."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_protocol_parser import parse_line

from collector.domain.diary import DiaryEntry, DiaryKind
from collector.store.line_protocol import LabTags
from collector.store.tables.series_rows import StoredSeries
from collector.uplink.points import lines_of
from collector.uplink.queue import Portion, SentReading
from tests.uplink.lab_journal import SQUEEZED, T0, watered

SERIES = {
    3: StoredSeries(
        id=3,
        probe="juniper-top",
        channel="temperature",
        measure="bedding_temperature",
        place="juniper/top",
        bin="juniper",
        tray="top",
        unit="Cel",
    )
}
ORIGIN = LabTags("Quillbrook")


def lines(*readings: SentReading, diary: tuple[DiaryEntry, ...] = ()) -> list[str]:
    return lines_of(Portion(readings=readings, diary=diary), SERIES, ORIGIN)


def test_a_reading_is_one_line() -> None:
    """Measure, tags in their order, fields, time in ms (line protocol, InfluxDB write API v2)."""
    assert lines(SentReading(T0 + 7, 3, 21.5, 1, 1800.0)) == [
        "bedding_temperature,bin=juniper,channel=temperature,lab=Quillbrook,place=juniper/top,probe=juniper-top,tray=top"
        f" flag=1i,raw=1800,value=21.5 {T0 + 7}"
    ]


def test_a_reading_without_a_number_keeps_its_flag() -> None:
    """NaN has no line protocol; the flag says that it was missing."""
    assert lines(SentReading(T0, 3, None, 9, None))[0].endswith(f" flag=9i {T0}")


def test_a_series_the_journal_does_not_name_is_left_out() -> None:
    """Nothing can be said of it."""
    assert lines(SentReading(T0, 99, 1.0, 1, 1.0)) == []


@settings(max_examples=75)
@given(st.text(max_size=60), st.text(max_size=60), st.floats(-1e6, 1e6, allow_subnormal=False))
def test_no_text_breaks_a_line(name: str, note: str, amount: float) -> None:
    """Quotes, commas, spaces, equal signs, backslashes and line breaks in names and notes stay where they belong."""
    entry = watered(1, by=name, note=note)
    entry = DiaryEntry(
        id=1,
        t_ms=T0,
        taken_ms=T0,
        place=name or "x",
        kind=DiaryKind.WATERED,
        amount=amount,
        result=None,
        by=name,
        note=note,
    )
    (line,) = lines_of(Portion(diary=(entry,)), {}, LabTags(name))
    assert "\n" not in line
    point = parse_line(line)
    assert point["measurement"] == "diary"
    assert point["time"] == T0
    assert point["fields"]["count"] == 1
    assert point["fields"]["amount"] == pytest.approx(amount)
    assert point["tags"]["kind"] == "watered"


def test_an_entry_says_its_result_and_who() -> None:
    """Words are text fields, the number of the entry is a tag: two entries of one moment stay two."""
    point = parse_line(lines(diary=(SQUEEZED,))[0])
    assert point["tags"]["number"] == "2"
    assert point["fields"] == {"count": 1, "struck": False, "result": "damp", "by": "class 4b"}


def test_odd_backslashes_do_not_hide_what_follows() -> None:
    """A tag that ends with a backslash would swallow the comma after it."""
    point = parse_line(lines_of(Portion(diary=(SQUEEZED,)), {}, LabTags("lab\\\\", "\\"))[0])
    assert point["tags"]["lab"] == "lab"
    assert point["tags"]["site"] == "-"
