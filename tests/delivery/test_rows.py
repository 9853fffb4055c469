"""From a letter to rows of the outbox, one for each way to its reader."""

from collector.delivery.addressing import Addressee, row_key
from collector.delivery.rows import rows_of
from collector.letters.letter import Letter

MAIL, CHAT = Addressee("email", "teacher@quillbrook.example"), Addressee("chat", "staffroom")
LETTER = Letter(subject="Juniper is hot", body="All of it.\n", html="<p>All of it.</p>", short="Hot.", picture="{}")


def test_each_way_has_a_row_of_its_own_that_answers_its_own_thread() -> None:
    """Keys and threads carry the recipient's part, so that one way's failure is not the other's."""
    rows = rows_of(LETTER, "hot-1", (MAIL, CHAT), priority="high", now_ms=7, threads=("hot-0",))
    assert [(row.key, row.channel, row.recipient) for row in rows] == [
        (row_key("hot-1", way), way.channel, way.recipient) for way in (MAIL, CHAT)
    ]
    assert [row.parents for row in rows] == [(row_key("hot-0", MAIL),), (row_key("hot-0", CHAT),)]
    assert {(row.priority, row.subject, row.created_ms) for row in rows} == {("high", "Juniper is hot", 7)}


def test_chat_has_the_short_form_and_nothing_to_look_at() -> None:
    """Mail and files have all of it."""
    mail, file, chat = rows_of(
        LETTER, "hot-1", (MAIL, Addressee("file", MAIL.recipient), CHAT), priority="low", now_ms=7
    )
    assert (chat.body, chat.html, chat.picture, chat.parents) == ("Hot.", "", "", ())
    for whole in (mail, file):
        assert (whole.body, whole.html, whole.picture) == ("All of it.\n", "<p>All of it.</p>", "{}")


def test_who_cannot_be_reached_has_no_row() -> None:
    """No way, no row."""
    assert rows_of(LETTER, "hot-1", (), priority="low", now_ms=7) == []
