"""How messages to each person fare, as `status` shows it."""

from dataclasses import replace

from collector.cli.status.recipients import recipient_rows
from collector.domain.lab import Person
from collector.store.tables.recipients import Recipient
from tests.letters.examples import LAB

PEOPLE = (
    Person(role="teacher", email="teacher@quillbrook.example", chat="teacher-phone"),
    Person(role="second teacher", email="teacher@quillbrook.example"),
    Person(role="class chat", chat="class-chat"),
)


def heard(channel: str, recipient: str, sent: int = 1) -> Recipient:
    return Recipient(
        channel=channel,
        recipient=recipient,
        waiting=0,
        sent=sent,
        failed=0,
        unconfirmed=0,
        delivered_ms=1_772_438_400_000,
        last_error="",
    )


def test_people_come_first_and_nobody_is_left_out() -> None:
    """Also who has had no message yet, two roles at one address once, and addresses that left lab.yaml last."""
    found = [heard("chat", "old-phone"), heard("email", "left@quillbrook.example"), heard("email", PEOPLE[0].email, 3)]
    rows = recipient_rows(found, replace(LAB, people=PEOPLE))
    assert [(row["who"], row["by"], row["sent"]) for row in rows] == [
        ("teacher, second teacher", "email", 3),
        ("teacher", "chat", 0),
        ("class chat", "chat", 0),
        ("old-phone", "chat", 1),
        ("", "email", 1),
    ]
    assert (rows[0]["last_delivered"], rows[1]["last_delivered"]) == ("2026-03-02T08:00:00Z", None)


def test_mail_that_went_to_files_is_shown_as_such() -> None:
    """Where there was no mail server, and both ways once there is one."""
    files = heard("file", PEOPLE[0].email)
    lab = replace(LAB, people=PEOPLE[1:2])
    assert [row["by"] for row in recipient_rows([files], lab)] == ["file"]
    assert [row["by"] for row in recipient_rows([files, heard("email", PEOPLE[0].email)], lab)] == ["email", "file"]


def test_without_a_lab_file_the_outbox_still_tells() -> None:
    """lab.yaml that cannot be read hides nothing."""
    (row,) = recipient_rows([heard("chat", "teacher-phone")], None)
    assert (row["who"], row["recipient"]) == ("teacher-phone", "teacher-phone")
