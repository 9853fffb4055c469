"""Hourly and daily summaries against brute force: late readings, days of 23 and 25 hours, deleted stretches."""

from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.store.batch import Batch, ReadingRow
from collector.store.journal import Journal
from collector.store.localdays import LocalDays
from collector.store.reader import Reader, Summary
from tests.store.samples import DAY, HOUR, MINUTE, T0, ZONE, counted, dump, good, held, minutes, opened, with_series

SPRING = int(datetime(2026, 3, 7, 5, 0, tzinfo=UTC).timestamp()) * 1000
"""Local midnight in New York before the day the clocks go forward, 2026-03-08 (tz database)."""
AUTUMN = int(datetime(2026, 10, 31, 4, 0, tzinfo=UTC).timestamp()) * 1000
"""Local midnight in New York before the day the clocks go back, 2026-11-01 (tz database)."""


Groups = dict[tuple[object, int], list[ReadingRow]]


def settle(journal: Journal, now_ms: int) -> None:
    while journal.tidy(now_ms).left:
        pass


def brute(rows: list[ReadingRow], zone: str) -> tuple[Groups, Groups]:
    """Rows by (hour, series) and by (local day, series), the first on each key, computed reading by reading."""
    kept: dict[tuple[int, int], ReadingRow] = {}
    for row in rows:
        kept.setdefault(row[:2], row)
    hours: Groups = defaultdict(list)
    days: Groups = defaultdict(list)
    for row in kept.values():
        hours[row[0] // HOUR * HOUR, row[1]].append(row)
        day = datetime.fromtimestamp(row[0] / 1000, ZoneInfo(zone)).date().isoformat()
        days[day, row[1]].append(row)
    return hours, days


def agree(found: list[Summary], wanted: Groups) -> None:
    assert {(s.start, s.series) for s in found} == set(wanted)
    for summary in found:
        rows = wanted[summary.start, summary.series]
        clean = [row[2] for row in rows if row[3] in (1, 2) and row[2] is not None]
        assert (summary.n, summary.n_good) == (len(rows), len(clean))
        if clean:
            assert (summary.low, summary.high) == (min(clean), max(clean))
            # Sums of floats depend on their order in the last digits.
            assert summary.mean == pytest.approx(sum(clean) / len(clean), rel=1e-12, abs=1e-9)
        else:
            assert (summary.mean, summary.low, summary.high) == (None, None, None)


def check(path: Path, rows: list[ReadingRow], zone: str) -> None:
    hours, days = brute(rows, zone)
    with Reader(path) as reader:
        agree(reader.hourly(-(2**60), 2**60), hours)
        agree(reader.daily("0000", "9999"), days)
        assert reader.readings_count() == len({row[:2] for row in rows})


_reading = st.tuples(
    st.integers(0, 72 * 60),
    st.integers(1, 3),
    st.none() | st.floats(-50, 150),
    st.sampled_from((1, 1, 1, 2, 3, 4, 9)),
)


@settings(max_examples=20)
@given(
    start=st.sampled_from((SPRING, AUTUMN, T0)),
    zone=st.sampled_from((ZONE, "UTC", "Asia/Kolkata", "Australia/Lord_Howe", "America/Havana")),
    commits=st.lists(st.tuples(st.lists(_reading, max_size=30), st.sampled_from(("", "tidy", "restart"))), max_size=6),
)
def test_summaries_are_what_brute_force_says(
    tmp_path_factory: pytest.TempPathFactory,
    start: int,
    zone: str,
    commits: list[tuple[list[tuple[int, int, float | None, int]], str]],
) -> None:
    """Whatever the order of commits, tidying, restarts and late readings, in any zone and across clock changes."""
    folder = tmp_path_factory.mktemp("rollups")
    journal = opened(folder, zone)
    with_series(journal)
    everything: list[ReadingRow] = []
    for part, then in commits:
        rows = [good(start + m * MINUTE, series, value, flag) for m, series, value, flag in part]
        everything += rows
        journal.commit(Batch(rows=rows), start)
        if then == "tidy":
            journal.tidy(start + 40 * HOUR)
        elif then == "restart":
            journal.close()
            journal = opened(folder, zone)
        assert counted(journal) == len({row[:2] for row in everything})
    settle(journal, start + 30 * DAY)
    check(journal.path, everything, zone)
    journal.close()


@pytest.mark.parametrize(("start", "day", "hours"), [(SPRING, "2026-03-08", 23), (AUTUMN, "2026-11-01", 25)])
def test_a_day_of_clock_change_has_all_its_hours(tmp_path: Path, start: int, day: str, hours: int) -> None:
    """With a reading every minute, the day the clocks change has 23 or 25 hours of readings, its neighbours 24."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[:1]
        journal.commit(Batch(rows=minutes(a, 4 * 24 * 60, start)), start)
        settle(journal, start + 5 * DAY)
    with Reader(journal.path) as reader:
        counts = {row.start: row.n for row in reader.daily("0000", "9999")}
    before, after = sorted(counts)[0], sorted(counts)[2]
    assert (counts[before], counts[day], counts[after]) == (1440, hours * 60, 1440)


# Havana's clocks go forward at midnight, Beirut's go back to 23:00 (tz database).
@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/Havana", "2025-03-09", 23),
        ("Asia/Beirut", "2024-10-26", 25),
        ("Australia/Lord_Howe", "2025-10-05", 23.5),
        ("Asia/Kolkata", "2025-10-05", 24),
    ],
)
def test_days_follow_each_other_without_a_gap(zone: str, day: str, hours: float) -> None:
    """Days that begin where midnight does not exist, or end twice, still tile time and have their length."""
    days = LocalDays(zone)
    noon = int(datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=ZoneInfo(zone)).timestamp()) * 1000
    found = days.at(noon)
    assert found.name == day
    assert found.end_ms - found.start_ms == hours * HOUR
    assert days.at(found.start_ms) == days.at(found.end_ms - 1) == found
    assert days.at(found.start_ms - 1).end_ms == found.start_ms
    assert days.at(found.end_ms).start_ms == found.end_ms


def test_the_running_day_is_summed_up_once_an_hour(tmp_path: Path) -> None:
    """The dearest summary is not made anew every five minutes, and what it lacks it has an hour later."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        counts = []
        for m in range(0, 90, 30):
            journal.commit(Batch(rows=[good(T0 + m * MINUTE, a)]), T0)
            assert journal.tidy(T0 + m * MINUTE).left == 0
            with Reader(journal.path) as reader:
                counts.append(reader.daily("0000", "9999")[0].n)
        assert counts == [1, 1, 3]


def test_a_long_backlog_is_tidied_in_parts(tmp_path: Path) -> None:
    """One call does a bounded part and says that more is left; nothing is due at the end."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        rows = [good(T0 + n * HOUR, a) for n in range(400)]
        journal.commit(Batch(rows=rows), T0)
        first = journal.tidy(T0 + 30 * DAY)
        assert (first.hours, first.left > 0) == (100, True)
        assert counted(journal) == 400
        assert journal.newest()[a].t_ms == rows[-1][0]
        settle(journal, T0 + 30 * DAY)
        assert dump(journal.path, "rollup_due")["rollup_due"] == []
        check(journal.path, rows, ZONE)


def test_a_lab_that_moves_its_clock_gets_its_days_anew(tmp_path: Path) -> None:
    """After the time zone in the lab file changes, daily summaries follow it for all readings held."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[:1]
        rows = minutes(a, 3 * 24 * 60)
        journal.commit(Batch(rows=rows), T0)
        settle(journal, T0 + 9 * DAY)
    with opened(tmp_path, "Asia/Kolkata") as journal:
        settle(journal, T0 + 9 * DAY)
        check(journal.path, rows, "Asia/Kolkata")


def test_an_ordinary_commit_marks_nothing_twice(tmp_path: Path) -> None:
    """Within an hour already due, commits write readings and nothing else."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0, a)]), T0)
        due = dump(journal.path, "rollup_due")
        journal.commit(Batch(rows=[good(T0 + 1, a), good(T0 + 2, a)]), T0)
        assert dump(journal.path, "rollup_due") == due


def test_retention_deletes_readings_and_keeps_summaries(tmp_path: Path) -> None:
    """Old readings go by whole local days; every summary is as it was; the count and the newest readings are right."""
    with opened(tmp_path) as journal:
        a, b, c = with_series(journal)
        rows = [*minutes([a, b], 5 * 24 * 60), good(T0 + 5, c, 9.0)]
        journal.commit(Batch(rows=rows), T0)
        now = T0 + 5 * DAY
        result = journal.retention(now, keep_days=2)
        horizon = LocalDays(ZONE).at(now - 2 * DAY).start_ms
        kept = [row for row in rows if row[0] >= horizon]
        assert (result.deleted, result.more) == (len(rows) - len(kept), False)
        assert len(held(journal.path)) == counted(journal) == len(kept)
        assert journal.newest()[c].value == 9.0
        settle(journal, T0 + 9 * DAY)
        hours, days = brute(rows, ZONE)
        with Reader(journal.path) as reader:
            agree(reader.hourly(0, 2**60), hours)
            agree(reader.daily("0000", "9999"), days)


def test_readings_of_a_deleted_stretch_are_refused_and_counted(tmp_path: Path) -> None:
    """A reading older than what retention deleted is not stored and cannot spoil a summary, also after a restart."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=minutes([a], 4 * 24 * 60)), T0)
        journal.retention(T0 + 4 * DAY, keep_days=1)
        settle(journal, T0 + 9 * DAY)
        before = dump(journal.path, "hourly", "daily", "readings")
        old = Batch(rows=[good(T0 + 333, a), good(T0 + DAY + 333, a)])
        assert journal.commit(old, T0).too_old == 2
    with opened(tmp_path, now_ms=T0 + 4 * DAY) as journal:
        assert journal.commit(old, T0).too_old == 2
        assert journal.counters()["too_old"] == 4
        settle(journal, T0 + 9 * DAY)
    assert dump(journal.path, "hourly", "daily", "readings") == before


def test_retention_works_in_bounded_parts(tmp_path: Path) -> None:
    """One call deletes about as much as it is told, says that more is left, and the rest goes with later calls."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        rows = [good(T0 + n * 1000, a) for n in range(20_000)]
        journal.commit(Batch(rows=rows), T0)
        sizes = []
        while True:
            result = journal.retention(T0 + 9 * DAY, keep_days=1, at_most=5_000)
            sizes.append(result.deleted)
            assert counted(journal) == len(held(journal.path)) == 20_000 - sum(sizes)
            if not result.more:
                break
        assert max(sizes) <= 10_000
        assert sum(sizes) == 20_000
        assert journal.newest()[a].t_ms == rows[-1][0]


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Australia/Lord_Howe", "Asia/Kathmandu"])
def test_retention_where_days_begin_within_an_hour(tmp_path: Path, zone: str) -> None:
    """Where midnight is not on a whole UTC hour, the hour and the day at the border stay exact under late readings."""
    with opened(tmp_path, zone) as journal:
        a = with_series(journal)[0]
        rows = minutes([a], 3 * 24 * 60)
        journal.commit(Batch(rows=rows), T0)
        journal.retention(T0 + 3 * DAY, keep_days=1)
        border = LocalDays(zone).at(T0 + 2 * DAY).start_ms
        late = [good(border - 7, a), good(border + 7, a), good(border + HOUR + 7, a)]
        assert journal.commit(Batch(rows=late), T0).too_old == 1
        settle(journal, T0 + 9 * DAY)
        hours, days = brute(rows + late[1:], zone)
        with Reader(journal.path) as reader:
            agree(reader.hourly(0, 2**60), hours)
            agree(reader.daily("0000", "9999"), days)


def test_a_new_time_zone_leaves_days_alone_that_retention_cut_into(tmp_path: Path) -> None:
    """Days whole in the new zone are summed up anew; a day partly deleted keeps the summary it has."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        rows = minutes([a], 6 * 24 * 60)
        journal.commit(Batch(rows=rows), T0)
        journal.retention(T0 + 6 * DAY, keep_days=2)
        settle(journal, T0 + 9 * DAY)
    days = LocalDays("Asia/Kolkata")
    border = LocalDays(ZONE).at(T0 + 4 * DAY).start_ms
    with opened(tmp_path, "Asia/Kolkata") as journal:
        settle(journal, T0 + 9 * DAY)
        with Reader(journal.path) as reader:
            found = {str(row.start): row.n for row in reader.daily("0000", "9999")}
    whole = {str(name): len(of_day) for (name, _), of_day in brute(rows, "Asia/Kolkata")[1].items()}
    assert days.at(border).start_ms < border
    assert {name: n for name, n in found.items() if name > days.at(border).name} == {
        name: n for name, n in whole.items() if name > days.at(border).name
    }
    assert found[days.at(border).name] == 1440


def test_a_smaller_retention_later_never_goes_back(tmp_path: Path) -> None:
    """Keeping more days than before brings no deleted stretch back, and keeping none is refused."""
    with opened(tmp_path) as journal:
        a = with_series(journal)[0]
        journal.commit(Batch(rows=minutes([a], 3 * 24 * 60)), T0)
        journal.retention(T0 + 3 * DAY, keep_days=1)
        assert journal.retention(T0 + 3 * DAY, keep_days=90).deleted == 0
        assert journal.commit(Batch(rows=[good(T0 + 9, a)]), T0).too_old == 1
        with pytest.raises(ValueError, match="1 or more"):
            journal.retention(T0, keep_days=0)
