"""The diary and the brews in the journal: read back as they were, changed in place, never deleted."""

from dataclasses import replace
from pathlib import Path

from collector.domain.diary import Brew, DiaryEntry, DiaryKind, Feel
from collector.store.batch import Batch, ReplyRow
from collector.store.reader import Reader
from collector.store.requests import DiaryStrike, Reply, write_request
from tests.store.samples import HOUR, MINUTE, T0, opened

SQUEEZED = DiaryEntry(
    id=7,
    t_ms=T0 - MINUTE,
    taken_ms=T0,
    place="juniper/top",
    kind=DiaryKind.SQUEEZE,
    amount=None,
    result=Feel.DAMP,
    by="class 4b",
    note="a drop, 2 °C outside",
)
WATERED = DiaryEntry(
    id=8,
    t_ms=T0 - HOUR,
    taken_ms=T0 + 1,
    place="juniper",
    kind=DiaryKind.WATERED,
    amount=0.25,
    result=None,
    by="teacher",
)
BREW = Brew(
    id=3,
    place="kettle",
    started_ms=T0 - HOUR,
    air_stopped_ms=None,
    ended_ms=None,
    taken_ms=T0,
    by="teacher",
    note="castings from Juniper",
)


def test_entries_and_brews_come_back_as_they_were(tmp_path: Path) -> None:
    """Every field, for the collector and for readers, in the order of their times."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(diary={7: SQUEEZED, 8: WATERED}, brews={3: BREW}), T0)
    with opened(tmp_path) as again:
        assert again.diary() == [WATERED, SQUEEZED]
        assert again.brews() == [BREW]
        with Reader(again.path) as reader:
            assert reader.diary() == [WATERED, SQUEEZED]
            assert reader.diary(since_ms=T0 - MINUTE) == [SQUEEZED]
            assert reader.brews() == [BREW]


def test_a_changed_entry_takes_the_place_of_what_it_was(tmp_path: Path) -> None:
    """Struck out or ended, it keeps its number, and there is one row of it, also when a batch is committed again."""
    struck = replace(SQUEEZED, struck_ms=T0 + HOUR, struck_by="maintainer")
    ended = replace(
        BREW, air_stopped_ms=T0 + HOUR, ended_ms=T0 + HOUR + 1, ended_taken_ms=T0 + HOUR + 2, ended_by="class 4b"
    )
    gone = replace(ended, id=4, struck_ms=T0 + HOUR, struck_by="teacher")
    with opened(tmp_path) as journal:
        journal.commit(Batch(diary={7: SQUEEZED}, brews={3: BREW}), T0)
        for _ in range(2):
            journal.commit(Batch(diary={7: struck}, brews={3: ended, 4: gone}), T0 + HOUR)
        assert journal.diary() == [struck]
        assert journal.brews() == [ended, gone]


def test_a_batch_with_only_a_diary_entry_or_a_brew_is_not_empty() -> None:
    """Either is reason enough to commit."""
    assert not Batch(diary={7: SQUEEZED}).empty
    assert not Batch(brews={3: BREW}).empty


def test_readers_see_requests_that_nobody_took_up(tmp_path: Path) -> None:
    """Those still open are listed, oldest first; those answered are not."""
    with opened(tmp_path) as journal:
        first, second, third = (write_request(journal.path, DiaryStrike(number=n), T0 + n) for n in range(3))
        journal.commit(Batch(replies=[ReplyRow(second, T0, Reply(True, "noted"))]), T0)
        with Reader(journal.path) as reader:
            assert [(row.id, row.request) for row in reader.pending_requests()] == [
                (first, DiaryStrike(number=0)),
                (third, DiaryStrike(number=2)),
            ]
