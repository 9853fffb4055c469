"""Exports, read back by other programs' rules."""

import csv
import io
import json
from datetime import datetime
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.lab import SeriesKey
from collector.store.batch import Batch
from collector.store.export import export, iso_utc
from collector.store.journal import Journal
from collector.store.reader import Reader
from tests.store.samples import T0, good, minutes, opened, with_series


@pytest.fixture
def lab(tmp_path: Path) -> Journal:
    """A closed journal with one series of each unit."""
    with opened(tmp_path) as journal:
        for probe, measure, unit, place in (
            ("top 1", "bedding_moisture", "%", "juniper/top"),
            ("o2", "dissolved_oxygen", "mg/L", "kettle"),
            ("t", "tea_temperature", "degC", "kettle"),
            ("pump", "air_pump", "on/off", "kettle"),
            ("rh", "air_humidity", "%RH", "room"),
            ("bat", "battery", "V", "juniper/top"),
        ):
            bin_, _, tray = place.partition("/") if "/" in place else ("", "", "")
            journal.series_id(SeriesKey(probe=probe, channel="c", measure=measure, place=place), unit, bin_, tray, T0)
        values = (76.0, 8.0, -0.5, 1.0, 48.2, 3.31)
        rows = [good(T0 + n, n, value) for n, value in enumerate(values, start=1)]
        rows += [
            good(T0 + 1001, 1, 57.3, 3),
            good(T0 + 1002, 1, 99.0, 4),
            good(T0 + 1003, 1, None, 9),
            good(T0 + 1004, 4, 0.0),
            good(1000, 3, 20.0),
        ]
        journal.commit(Batch(rows=rows), T0)
    return journal


def exported(journal: Journal, kind: Literal["csv", "senml", "lines"], **bounds: int) -> str:
    out = io.StringIO()
    with Reader(journal.path) as reader:
        n = export(reader, kind, out, since_ms=bounds.get("since_ms"), until_ms=bounds.get("until_ms"))
    text = out.getvalue()
    records = len(json.loads(text)) if kind == "senml" else len(text.splitlines()) - (kind == "csv")
    assert n == records
    return text


def test_csv_reads_back_with_the_columns_promised(lab: Journal) -> None:
    """time,bin,tray,probe,measure,unit,value,flag; UTC to the ms; an empty value where there is no number."""
    rows = list(csv.reader(io.StringIO(exported(lab, "csv"))))
    assert ",".join(rows[0]) == "time,bin,tray,probe,measure,unit,value,flag"
    assert rows[1] == ["1970-01-01T00:00:01.000Z", "kettle", "", "t", "tea_temperature", "degC", "20.0", "1"]
    assert rows[2] == ["2026-03-02T08:00:00.001Z", "juniper", "top", "top 1", "bedding_moisture", "%", "76.0", "1"]
    assert ["2026-03-02T08:00:01.003Z", "juniper", "top", "top 1", "bedding_moisture", "%", "", "9"] in rows
    assert len(rows) == 12


def test_senml_is_a_resolved_pack_in_senml_units(lab: Journal) -> None:
    """RFC 8428 section 4.6: no base fields, absolute times, chronological; moisture as a ratio, oxygen in kg/m3."""
    pack = json.loads(exported(lab, "senml"))
    assert pack == [
        {"n": "juniper/top/top_1/bedding_moisture", "u": "/", "v": 0.76, "t": 1772438400.001},
        {"n": "kettle/o2/dissolved_oxygen", "u": "kg/m3", "v": 0.008, "t": 1772438400.002},
        {"n": "kettle/t/tea_temperature", "u": "Cel", "v": -0.5, "t": 1772438400.003},
        {"n": "kettle/pump/air_pump", "u": "/", "vb": True, "t": 1772438400.004},
        {"n": "room/rh/air_humidity", "u": "%RH", "v": 48.2, "t": 1772438400.005},
        {"n": "juniper/top/bat/battery", "u": "V", "v": 3.31, "t": 1772438400.006},
        {"n": "juniper/top/top_1/bedding_moisture", "u": "/", "v": 0.573, "t": 1772438401.001},
        {"n": "kettle/pump/air_pump", "u": "/", "vb": False, "t": 1772438401.004},
    ]


def test_senml_of_nothing_is_an_empty_array(lab: Journal) -> None:
    """Nothing to tell is still JSON."""
    assert json.loads(exported(lab, "senml", since_ms=T0 + 10**9)) == []


def test_lines_escape_what_the_protocol_reserves(tmp_path: Path) -> None:
    """InfluxDB line protocol: measurement, tags in order, fields, ns; spaces, commas and equals signs escaped."""
    with opened(tmp_path) as journal:
        one = journal.series_id(
            SeriesKey(probe="a b,c=d", channel="c", measure="battery", place="juniper/top"), "V", "juniper", "top", T0
        )
        two = journal.series_id(SeriesKey(probe="k\\", channel="c", measure="battery", place="kettle"), "V", "", "", T0)
        journal.commit(Batch(rows=[good(T0, one, 3.5), good(T0 + 1, two, None, 9), good(T0 + 2, two, 1e300, 3)]), T0)
    assert exported(journal, "lines").splitlines() == [
        "battery,bin=juniper,channel=c,place=juniper/top,probe=a\\ b\\,c\\=d,tray=top flag=1i,raw=3.5,value=3.5"
        " 1772438400000000000",
        "battery,channel=c,place=kettle,probe=k flag=9i 1772438400001000000",
        "battery,channel=c,place=kettle,probe=k flag=3i,raw=1e+300,value=1e+300 1772438400002000000",
    ]


def test_two_channels_of_one_measure_are_told_apart(tmp_path: Path) -> None:
    """Where only the channel differs, it stands in the SenML name and the tags: neither overwrites the other."""
    with opened(tmp_path) as journal:
        ids = [
            journal.series_id(SeriesKey(probe="p", channel=channel, measure="battery", place="room"), "V", "", "", T0)
            for channel in ("main", "-")
        ]
        journal.commit(Batch(rows=[good(T0, n, 3.0) for n in ids]), T0)
    assert [record["n"] for record in json.loads(exported(journal, "senml"))] == [
        "room/p/battery/main",
        "room/p/battery/-",
    ]
    assert "channel=main" in exported(journal, "lines").splitlines()[0]


def test_bounds_series_and_progress(tmp_path: Path) -> None:
    """Start is included, end is not; only the series asked for; progress rises to 1."""
    with opened(tmp_path) as journal:
        ids = with_series(journal)
        rows = minutes(ids, 10_000)
        journal.commit(Batch(rows=rows), T0)
    seen: list[tuple[int, float]] = []
    out = io.StringIO()
    since, until = rows[6][0], rows[29_001][0]
    with Reader(journal.path) as reader:
        n = export(
            reader,
            "csv",
            out,
            since_ms=since,
            until_ms=until,
            series_ids=ids[:2],
            progress=lambda done, part: seen.append((done, part)),
        )
    assert (
        n == sum(since <= row[0] < until and row[1] in ids[:2] for row in rows) == len(out.getvalue().splitlines()) - 1
    )
    assert [done for done, _ in seen] == [10_000, n]
    assert 0.5 < seen[0][1] < 0.55
    assert seen[-1][1] == 1.0


@given(t_ms=st.integers(-(10**12), 10**14))
def test_times_are_exact_to_the_millisecond(t_ms: int) -> None:
    """Every ms reads back as itself: no float is on the way."""
    back = datetime.fromisoformat(iso_utc(t_ms)) - datetime.fromisoformat("1970-01-01T00:00:00Z")
    assert (back.days * 86_400 + back.seconds) * 1000 + back.microseconds // 1000 == t_ms


@given(values=st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=5))
def test_numbers_read_back_exactly(tmp_path_factory: pytest.TempPathFactory, values: list[float]) -> None:
    """What csv and lines say is the number kept, to the last bit."""
    with opened(tmp_path_factory.mktemp("exact")) as journal:
        a = with_series(journal, 1)[0]
        journal.commit(Batch(rows=[good(T0 + n, a, value) for n, value in enumerate(values)]), T0)
    assert [float(row["value"]) for row in csv.DictReader(io.StringIO(exported(journal, "csv")))] == values
    lines = exported(journal, "lines").splitlines()
    assert [float(line.split("value=")[1].split(" ")[0]) for line in lines] == values
