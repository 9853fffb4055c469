"""What was settled long ago goes, in bounded steps; what is still needed stays."""

import sqlite3
from contextlib import closing
from pathlib import Path

from collector.alarms.model import AlarmKey, AlarmState, Event, State, Transition
from collector.store.batch import Batch, ReplyRow
from collector.store.outbox import OutboxStore
from collector.store.prune import MESSAGES_DAYS, REQUESTS_DAYS
from collector.store.requests import Acknowledge, Reply, write_request
from collector.telling.notice import Fate, Notice, NoticeKey, Reason
from tests.store.samples import DAY, T0, dump, message, opened

OLD = T0 + 1
AFTER = T0 + MESSAGES_DAYS * DAY + 2


def keys(path: Path) -> list[object]:
    return [row[1] for row in dump(path, "outbox")["outbox"]]


PRESSED = Acknowledge(rule="bedding-hot", place="juniper/top")


def test_messages_go_400_days_after_they_were_settled(tmp_path: Path) -> None:
    """Sent, failed and unconfirmed ones, those cut off by a crash too; a day earlier none; what still waits never."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(messages=[message(key) for key in ("sent", "failed", "maybe", "cut", "waits")]), T0)
        with OutboxStore(journal.path) as outbox:
            outbox.mark_sent(1, OLD)
            outbox.mark_failed(2, OLD, "no such mailbox")
            outbox.mark_unconfirmed(3, OLD, "no answer")
            outbox.mark_sending(4)
        with OutboxStore(journal.path) as outbox:
            assert outbox.unconfirmed_at_open == 1
        assert not journal.retention(AFTER - DAY, 730).more
        assert len(keys(journal.path)) == 5
        assert not journal.retention(AFTER, 730).more
        assert keys(journal.path) == ["waits"]


def test_more_than_one_step_holds_is_done_in_several(tmp_path: Path) -> None:
    """No single transaction keeps the journal busy for long, and the job goes on until all is gone."""
    with opened(tmp_path) as journal:
        journal.commit(Batch(messages=[message(f"m{n}") for n in range(4_500)]), T0)
        with closing(sqlite3.connect(journal.path)) as db, db:
            db.execute("UPDATE outbox SET state = 'sent', settled_ms = ?", (OLD,))
        found = []
        while (result := journal.retention(AFTER, 730)).more:
            found.append(len(keys(journal.path)))
        assert (found, result.more, keys(journal.path)) == ([2_500, 500], False, [])


def notice(series: int, fate: Fate) -> Notice:
    change = Transition(
        key=AlarmKey("bedding-hot", series),
        event=Event.RAISED,
        before=State.NORMAL,
        after=State.UNACKNOWLEDGED,
        t_ms=T0,
        since_ms=T0,
        raised_ms=T0,
        value=31.5,
        worst=31.5,
    )
    key = NoticeKey(
        role="teacher",
        rule="bedding-hot",
        series=series,
        occurrence_ms=T0,
        event=Event.RAISED.value,
        why=Reason.NEWS.value,
        t_ms=T0,
    )
    settled = None if fate is Fate.WAITING else OLD
    return Notice(
        key=key,
        transition=change,
        place="juniper/top",
        priority="high",
        made_ms=T0,
        due_ms=T0,
        fate=fate,
        settled_ms=settled,
        message="message-key",
    )


def test_notices_go_unless_their_alarm_still_stands(tmp_path: Path) -> None:
    """Whoever was told of what has stood for a year must hear of its end; what is still to be told is kept."""
    standing = AlarmKey("bedding-hot", 2)
    with opened(tmp_path) as journal:
        found = [notice(1, Fate.TOLD), notice(2, Fate.TOLD), notice(3, Fate.WAITING), notice(4, Fate.DIGEST)]
        states = {
            standing: AlarmState(
                key=standing,
                state=State.ACKNOWLEDGED,
                active=True,
                deadline_ms=None,
                since_ms=T0,
                raised_ms=T0,
                changed_ms=T0,
                worst=31.5,
            )
        }
        journal.commit(Batch(notices={one.key: one for one in found}, states=states), T0)
        journal.retention(AFTER, 730)
        assert [row[2] for row in dump(journal.path, "notices")["notices"]] == [2, 3, 4]


def test_answered_requests_go_after_90_days(tmp_path: Path) -> None:
    """One that was never taken up is kept: it still says that something was asked for."""
    with opened(tmp_path) as journal:
        done = write_request(journal.path, PRESSED, T0)
        write_request(journal.path, PRESSED, T0)
        journal.commit(Batch(replies=[ReplyRow(done, OLD, Reply(True, "done"))]), T0)
        journal.retention(OLD + REQUESTS_DAYS * DAY, 730)
        assert len(dump(journal.path, "requests")["requests"]) == 2
        journal.retention(OLD + REQUESTS_DAYS * DAY + 1, 730)
        assert [row[0] for row in dump(journal.path, "requests")["requests"]] == [done + 1]
