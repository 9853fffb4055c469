"""What a restart needs of an alarm, and what its history says, go through the journal unharmed."""

from dataclasses import replace
from pathlib import Path

from collector.alarms.model import AlarmKey, AlarmState, Event, State
from collector.store.batch import Batch
from collector.store.reader import Reader
from tests.store.samples import HOUR, T0, full_batch, opened, with_series

KEY = AlarmKey("bedding-hot", 1)
WHOLE = AlarmState(
    key=KEY,
    state=State.SHELVED,
    active=True,
    deadline_ms=T0 + 1,
    since_ms=T0 + 2,
    raised_ms=T0 + 3,
    changed_ms=T0 + 4,
    worst=31.5,
    acked_ms=T0 + 5,
    shelved_until_ms=T0 + HOUR,
    shelved_by="class 4b",
    reason="window being repaired",
    out_by="maintainer",
    cause="probe-silent at juniper",
)


def test_every_field_of_a_state_comes_back(tmp_path: Path) -> None:
    """Shelving, service, cause, acknowledgement: nothing that decides what an alarm does next is lost."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(states={KEY: WHOLE}), T0)
    with opened(tmp_path) as journal:
        assert journal.alarm_states() == {KEY: WHOLE}


def test_the_history_says_why_and_until_when(tmp_path: Path) -> None:
    """A shelving with its reason and end; half a character in a reason cannot stop a commit."""
    with opened(tmp_path) as journal:
        (series, *_) = with_series(journal)
        batch = full_batch(series)
        (row,) = batch.transitions
        change = replace(row.transition, event=Event.SHELVED, note="window \ud800 repaired", until_ms=T0 + HOUR)
        batch.transitions.append(replace(row, transition=change))
        journal.commit(batch, T0)
    with Reader(tmp_path / "traywarden.db") as reader:
        shelved, raised = reader.history()
    assert (shelved.note, shelved.until_ms) == ("window ? repaired", T0 + HOUR)
    assert (raised.note, raised.until_ms) == ("", None)


def test_when_a_series_became_known(tmp_path: Path) -> None:
    """What overdue alarms count from where nothing was ever noted."""
    with opened(tmp_path) as journal:
        numbers = with_series(journal, 3)
        assert journal.created_ms(numbers[:2]) == dict.fromkeys(numbers[:2], T0)
