"""Batches: whole, once, and read back as they were."""

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.alarms.model import AlarmKey, AlarmState, State
from collector.domain.lab import SeriesKey
from collector.store.batch import Batch, CommitResult, RejectedRow, ReplyRow, Unplaced
from collector.store.errors import StoreError
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.requests import Acknowledge, Reply, RequestRow, write_request
from collector.store.vocabulary import Counter, MetaKey
from tests.store.samples import (
    DAY,
    MINUTE,
    T0,
    ZONE,
    counted,
    dump,
    full_batch,
    good,
    happened,
    held,
    known,
    message,
    opened,
    with_series,
)


def test_an_empty_batch_says_so() -> None:
    """A batch is empty until something is in any of its parts."""
    assert Batch().empty
    assert not Batch(meta={MetaKey.LINK_MS: "1"}).empty
    assert not Batch(replies=[ReplyRow(1, T0, Reply(True, "done"))]).empty


def test_every_part_of_a_batch_is_read_back(tmp_path: Path) -> None:
    """What was committed is what a later start finds: readings, alarm states, arrivals, counters, meta, events."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        batch = full_batch(series)
        assert journal.commit(batch, T0 + 50) == CommitResult(stored=2, duplicates=0, too_old=0, impossible=0)
    with opened(tmp_path) as again:
        assert again.alarm_states() == batch.states
        assert again.arrivals() == batch.arrivals
        assert again.counters() == {"late": 2}
        assert again.meta()[MetaKey.LINK_MS] == str(T0)
        assert happened(again.path) == batch.events
        assert again.diary() == list(batch.diary.values())
        assert again.brews() == list(batch.brews.values())
        assert known(again)[0].as_series().place == "juniper/top"
    assert held(again.path) == [tuple(row) for row in batch.rows]
    with Reader(again.path) as reader:
        (change,) = reader.history()
        assert (change.rule, change.place, change.priority, change.noticed_ms) == (
            "bedding-hot",
            "juniper/top",
            "high",
            T0 + 900,
        )
        (alarm,) = reader.alarms()
        assert (alarm.state, alarm.place, alarm.priority) == (next(iter(batch.states.values())), "juniper/top", "high")
        assert reader.outbox_counts() == {"waiting": 1, "sending": 0, "sent": 0, "failed": 0, "unconfirmed": 0}
        assert [(s.topic, s.name, s.count, s.sample) for s in reader.unplaced()] == [("worms/lab/9", "x", 2, b"[1]")]
        assert [(r.reason, r.first_bytes) for r in reader.rejected()] == [("not JSON", b"\xff{")]


def test_readings_are_columns_an_outsider_can_query(tmp_path: Path) -> None:
    """The table has t, series, value, flag, raw and why, whatever its key looks like inside, also before 1970."""
    with opened(tmp_path) as journal:
        a, b, _ = with_series(journal)
        journal.commit(Batch(rows=[(T0, b, 1.5, 3, 2.5, 1), (-1, a, None, 9, None, 0)]), T0)
    with closing(sqlite3.connect(journal.path)) as db:
        found = db.execute("SELECT t, series, value, flag, raw, why FROM readings ORDER BY t, series").fetchall()
    assert found == [(-1, a, None, 9, None, 0), (T0, b, 1.5, 3, 2.5, 1)]


def test_the_first_value_on_a_key_stands(tmp_path: Path) -> None:
    """A reading again is a duplicate, counted and not stored, even with another value."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0, series, 20.0)]), T0)
        result = journal.commit(Batch(rows=[good(T0, series, 99.0), good(T0 + 1, series)]), T0)
        assert result == CommitResult(stored=1, duplicates=1, too_old=0, impossible=0)
        assert journal.counters()["duplicates"] == 1
    assert held(journal.path)[0][2] == 20.0


_rows = st.lists(
    st.tuples(
        st.integers(-5, 5).map(lambda n: T0 + n * 20 * MINUTE),
        st.integers(1, 3),
        st.none() | st.floats(allow_nan=False),
        st.sampled_from((1, 2, 3, 4, 9)),
        st.none() | st.floats(allow_nan=False),
        st.integers(0, 4095),
    ),
    max_size=40,
)


@settings(max_examples=25)
@given(rows=_rows, cut=st.integers(0, 40), tidy=st.booleans())
def test_a_batch_again_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, int, float | None, int, float | None, int]],
    cut: int, tidy: bool
) -> None:  # fmt: skip
    """The same readings, changes and messages twice, in any split, leave the content of once."""
    folder = tmp_path_factory.mktemp("again")
    tables = ("readings", "alarm_states", "alarm_history", "outbox", "events", "meta", "hourly", "daily", "latest")
    with opened(folder) as journal:
        with_series(journal)
        batch = full_batch(1)
        batch.rows += rows
        first = journal.commit(batch, T0)
        while journal.tidy(T0 + DAY).left:
            pass
        before = dump(journal.path, *tables)
        assert first.stored == len(before["readings"]) == counted(journal)
        parts = (Batch(rows=batch.rows[:cut]), Batch(rows=batch.rows[cut:]), batch)
        for part in parts:
            assert journal.commit(part, T0 + 1).stored == 0
            if tidy:
                journal.tidy(T0 + 2 * DAY)
        while journal.tidy(T0 + 3 * DAY).left:
            pass
        assert dump(journal.path, *tables) == before
        assert counted(journal) == first.stored


def test_a_value_that_is_no_number_is_none(tmp_path: Path) -> None:
    """NaN is kept as an empty value with its flag; infinities are kept as they are."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        rows = [good(T0, series, math.nan, 4, 128), good(T0 + 1, series, math.inf, 4), good(T0 + 2, series, 0.0)]
        journal.commit(Batch(rows=rows), T0)
    assert [row[2] for row in held(journal.path)] == [None, math.inf, 0.0]


def test_a_broken_row_stops_the_batch_and_not_the_journal(tmp_path: Path) -> None:
    """A row no table takes is a mistake of the program: it is raised, nothing is stored, the next batch is."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        broken = full_batch(series)
        broken.meta[MetaKey.LINK_MS] = None  # type: ignore[assignment]
        with pytest.raises(sqlite3.IntegrityError):
            journal.commit(broken, T0)
        assert counted(journal) == 0
        assert journal.arrivals() == []
        assert journal.commit(full_batch(series), T0).stored == 2
        assert counted(journal) == 2
        assert journal.arrivals() == [(7, b"digest-7"), (8, b"digest-8")]


def test_times_no_calendar_knows_are_left_out_and_counted(tmp_path: Path) -> None:
    """A time far beyond any calendar cannot stop the rest of the batch."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        rows = [good(10**17, series), good(-(10**17), series), good(T0, series)]
        assert journal.commit(Batch(rows=rows), T0) == CommitResult(stored=1, duplicates=0, too_old=1, impossible=1)
        assert journal.counters() == {"too_old": 1, "impossible_time": 1}
    assert len(held(journal.path)) == 1


def test_a_message_key_is_told_once(tmp_path: Path) -> None:
    """Two messages of one key are one, within a batch and across batches."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(messages=[message("a"), message("a"), message("b")]), T0)
        journal.commit(Batch(messages=[message("b"), message("c")]), T0)
    with Reader(journal.path) as reader:
        assert reader.outbox_counts()["waiting"] == 3


def test_alarm_states_are_replaced_by_key(tmp_path: Path) -> None:
    """The last state of each alarm is the one found."""
    with opened(tmp_path) as journal:
        key, other = AlarmKey("dry", 1), AlarmKey("broker-lost", 0)
        journal.commit(Batch(states={key: AlarmState(key=key, state=State.UNACKNOWLEDGED, active=True, worst=1.5)}), T0)
        settled = AlarmState(key=key, state=State.NORMAL, active=False, deadline_ms=T0, changed_ms=T0)
        journal.commit(Batch(states={key: settled, other: AlarmState(key=other)}), T0)
        assert journal.alarm_states() == {key: settled, other: AlarmState(key=other)}


def test_lists_of_what_went_wrong_are_bounded(tmp_path: Path) -> None:
    """At most 500 strangers (the longest unheard go first) and 500 rejected messages, the newest; the count goes on."""
    with opened(tmp_path) as journal:
        for part in range(3):
            journal.commit(
                Batch(
                    unplaced={
                        (f"t/{n}", ""): Unplaced(first_ms=T0, last_ms=T0 + n, count=1, sample=b"x" * 500)
                        for n in range(part * 300, part * 300 + 300)
                    },
                    rejected=[
                        RejectedRow(t_ms=T0 + n, topic="t" * 2000, reason="bad", first_bytes=b"y" * 500)
                        for n in range(300)
                    ],
                    counts={Counter.REJECTED: 300},
                ),
                T0,
            )
        assert journal.counters() == {"rejected": 900}
    with Reader(journal.path) as reader:
        strangers = reader.unplaced()
        assert [s.topic for s in strangers] == [f"t/{n}" for n in range(899, 399, -1)]
        assert max(len(s.sample) for s in strangers) == 200
        rejected = reader.rejected(1000)
        assert len(rejected) == 500
        assert rejected[0].t_ms == T0 + 299
        assert (len(rejected[0].first_bytes), len(rejected[0].topic)) == (64, 500)


def test_a_stranger_heard_again_is_counted_on(tmp_path: Path) -> None:
    """First and last time, the count over all, the newest sample."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(unplaced={("t", ""): Unplaced(first_ms=T0, last_ms=T0 + 5, count=3, sample=b"old")}), T0)
        journal.commit(
            Batch(unplaced={("t", ""): Unplaced(first_ms=T0 + 9, last_ms=T0 + 10, count=2, sample=b"new")}), T0
        )
    with Reader(journal.path) as reader:
        (stranger,) = reader.unplaced()
    assert (stranger.first_ms, stranger.last_ms, stranger.count, stranger.sample) == (T0, T0 + 10, 5, b"new")


def test_text_no_file_can_hold_does_not_stop_a_batch(tmp_path: Path) -> None:
    """Half characters in what probes send become '?'."""
    with opened(tmp_path) as journal:
        journal.commit(
            Batch(
                rejected=[RejectedRow(t_ms=T0, topic="t/\ud800", reason="°\udfff", first_bytes=b"")],
                unplaced={("\ud800", ""): Unplaced(first_ms=1, last_ms=1, count=1, sample=b"")},
            ),
            T0,
        )
    with Reader(journal.path) as reader:
        assert (reader.rejected()[0].topic, reader.rejected()[0].reason) == ("t/?", "°?")
        assert reader.unplaced()[0].topic == "?"


def test_arrivals_are_a_ring(tmp_path: Path) -> None:
    """The last 8192 arrivals are found after a restart, oldest first, across a batch larger than the ring."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(arrivals=[(n, b"a") for n in range(9000)]), T0)
    with opened(tmp_path) as journal:
        journal.commit(Batch(arrivals=[(n, b"b") for n in range(9000, 9010)]), T0)
        journal.commit(Batch(arrivals=[(9010, b"c")]), T0)
        assert [mid for mid, _ in journal.arrivals()] == list(range(819, 9011))


def test_series_are_numbered_once(tmp_path: Path) -> None:
    """The same channel in the same place keeps its number over restarts; a moved probe gets a new one."""
    key = SeriesKey(probe="p", channel="c", measure="battery", place="juniper/top")
    with opened(tmp_path) as journal:
        first = journal.series_id(key, "V", "juniper", "top", T0)
        assert journal.series_id(key, "V", "juniper", "top", T0) == first
    with opened(tmp_path) as journal:
        assert journal.series_id(key, "mV", "juniper", "top", T0) == first
        moved = journal.series_id(
            SeriesKey(probe="p", channel="c", measure="battery", place="maple/top"), "V", "maple", "top", T0
        )
        assert moved != first
        assert [(s.id, s.unit) for s in known(journal)] == [(first, "mV"), (moved, "V")]


def test_requests_are_taken_up_and_finished_in_a_commit(tmp_path: Path) -> None:
    """A request from another process is noticed by the version of the data, and its answer commits with the batch."""
    with opened(tmp_path) as journal:
        before = journal.data_version()
        assert journal.data_version() == before
        asked = Acknowledge(rule="bedding-hot", place="juniper/top", by="class 4")
        number = write_request(journal.path, asked, T0)
        assert journal.data_version() != before
        assert journal.pending_requests() == [RequestRow(id=number, request=asked, at_ms=T0)]
        reply = Reply(True, "acknowledged")
        journal.commit(Batch(replies=[ReplyRow(number, T0 + 5, reply)]), T0)
        assert journal.pending_requests() == []
        with Reader(journal.path) as reader:
            done = RequestRow(id=number, request=asked, at_ms=T0, done_ms=T0 + 5, reply=reply)
            assert reader.request(number) == done
            assert reader.request(number + 1) is None


def test_close_may_be_called_twice(tmp_path: Path) -> None:
    """Closing the closed does nothing; a closed journal says that it is closed."""
    journal = opened(tmp_path)
    journal.close()
    journal.close()
    with pytest.raises(StoreError, match="closed"):
        journal.commit(Batch(), T0)


def test_a_closed_journal_is_one_file(tmp_path: Path) -> None:
    """After a close, everything is in the one file but the map of its tables, and summaries are up to date."""
    with opened(tmp_path) as journal:
        series = with_series(journal)[0]
        journal.commit(Batch(rows=[good(T0, series)]), T0)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["traywarden.db", "traywarden.db.map"]
    assert len(dump(journal.path, "hourly")["hourly"]) == 1


def test_a_missing_folder_is_one_line(tmp_path: Path) -> None:
    """A home folder that is not there is named, not made."""
    with pytest.raises(StoreError, match="no such folder"):
        Journal(tmp_path / "nowhere" / "traywarden.db", ZONE, T0)


def test_newest_joins_what_is_tidied_with_what_is_not(tmp_path: Path) -> None:
    """The newest reading of each series, whether it was committed before the tidying, after it, or out of order."""
    with opened(tmp_path) as journal:
        a, b, c = with_series(journal)
        journal.commit(Batch(rows=[good(T0, a, 1.0), good(T0 + DAY, b, 2.0)]), T0)
        journal.tidy(T0 + DAY)
        journal.commit(Batch(rows=[good(T0 + 5, a, 3.0), good(T0 + 2, b, 4.0)]), T0)
        for _ in range(2):
            found = journal.newest()
            assert {n: (row.t_ms, row.value) for n, row in found.items()} == {a: (T0 + 5, 3.0), b: (T0 + DAY, 2.0)}
            assert set(journal.newest([a, c])) == {a}
            assert journal.newest([a])[a].value == 3.0
            journal.tidy(T0 + DAY)


def test_recent_is_arrays_without_late_readings(tmp_path: Path) -> None:
    """What quality checks remember is rebuilt from arrays in time order, NaN for no number, late ones left out."""
    with opened(tmp_path) as journal:
        a, b, c = with_series(journal)
        rows = [
            good(T0 - 1, a),
            good(T0 + 2, a, 2.0),
            good(T0, a, None, 9),
            good(T0 + 1, b, 5.0),
            good(T0 + 1, a, 7.0, 2, 1024),
        ]
        journal.commit(Batch(rows=rows), T0)
        found = dict(journal.recent_pieces([a, b, c], T0, T0 + DAY))
        assert set(found) == {a, b}
        assert found[a].t_ms.tolist() == [T0, T0 + 2]
        assert math.isnan(found[a].value[0])
        assert found[a].flag.tolist() == [9, 1]
        assert set(dict(journal.recent_pieces([b], T0, T0 + DAY))) == {b}
        assert list(journal.recent_pieces([a, b, c], T0, T0)) == []


def test_half_characters_in_what_people_asked_do_not_stop_a_commit(tmp_path: Path) -> None:
    """A request with broken text is answered and leaves its trace, with '?' in it; it must not come back for ever."""
    with opened(tmp_path) as journal:
        number = write_request(journal.path, Acknowledge(rule="x\udcff", place="room", by="class\udcff"), T0)
        batch = full_batch(with_series(journal)[0])
        (row,) = batch.transitions
        batch.transitions = [replace(row, transition=replace(row.transition, by="class\udcff"))]
        batch.replies = [ReplyRow(number, T0, Reply(False, "no alarm 'x\udcff'"))]
        journal.commit(batch, T0)
        assert journal.pending_requests() == []
    with Reader(journal.path) as reader:
        answered = reader.request(number)
        assert answered is not None
        assert answered.reply == Reply(False, "no alarm 'x?'")
        assert [change.by for change in reader.history()] == ["class?"]
