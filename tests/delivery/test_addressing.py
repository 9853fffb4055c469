"""Who is told by which way."""

from dataclasses import replace
from pathlib import Path

from collector.delivery.addressing import Addressee, addressees_of, carriers, everyone, row_key
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Person
from tests.letters.examples import LAB

MAIL = MailServer(host="mail.quillbrook.example")
URL = "json://chat.quillbrook.example/lab"


def test_every_way_that_can_be_written_to_the_outbox_has_its_channel(tmp_path: Path) -> None:
    """Files always, so that what was written while there was no mail server still goes out."""
    assert set(carriers(MAIL, ChatAddresses((URL,)), tmp_path, LAB.name)) == {"file", "email", "chat"}
    assert set(carriers(None, ChatAddresses(), tmp_path, LAB.name)) == {"file"}


def test_a_chat_address_that_nobody_names_is_someone_of_its_own() -> None:
    """The lab's common chat hears what must not wait; one that a person names is that person's and no other's."""
    chat = ChatAddresses((URL, "json://b.example/x"), ("class-chat", "teacher-phone"))
    lab = replace(LAB, people=(Person(role="teacher", email="teacher@quillbrook.example", chat="teacher-phone"),))
    teacher, common = everyone(lab, chat)
    assert teacher.role == "teacher"
    assert common == Person(role="class-chat", email="", priorities=("medium", "high"), chat="class-chat", digest=False)


def test_a_person_is_reached_by_each_way_they_have() -> None:
    """Mail and chat, chat alone, or files where no mail server is set."""
    both = Person(role="teacher", email="teacher@quillbrook.example", chat="teacher-phone")
    assert addressees_of(both, MAIL) == (
        Addressee("email", "teacher@quillbrook.example"),
        Addressee("chat", "teacher-phone"),
    )
    assert addressees_of(replace(both, email=""), MAIL) == (Addressee("chat", "teacher-phone"),)
    assert addressees_of(replace(both, chat=""), None) == (Addressee("file", "teacher@quillbrook.example"),)


def test_a_chat_address_that_the_settings_lack_is_left_out_where_there_is_mail() -> None:
    """A name for which there is no address fails each time and would have the others told of it; who has nothing else
    keeps it, for then they must be told."""
    chat = ChatAddresses((URL,), ("class-chat",))
    both = Person(role="teacher", email="teacher@quillbrook.example", chat="teacher-phone")
    lab = replace(LAB, people=(both, replace(both, chat="class-chat"), replace(both, email="")))
    assert [(one.email != "", one.chat) for one in everyone(lab, chat)] == [
        (True, ""),
        (True, "class-chat"),
        (False, "teacher-phone"),
    ]


def test_each_way_has_a_key_of_its_own_that_hides_the_address() -> None:
    """The same message by mail and by chat is two rows of the outbox."""
    mail, chat = Addressee("email", "teacher@quillbrook.example"), Addressee("chat", "teacher@quillbrook.example")
    assert row_key("k", mail) == row_key("k", mail) != row_key("k", chat)
    assert "teacher" not in row_key("k", mail)
