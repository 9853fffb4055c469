"""Who would be told of a high alarm at each place right now, by which ways."""

from dataclasses import replace

from collector.config.lab_file import read_lab
from collector.delivery.reach import Hearer, places_words, reach_lines, told_of_high, unwarned
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Person
from tests.worlds.home import LAB

READ = read_lab(LAB, "lab.yaml")
MAIL = MailServer(host="mail.quillbrook.example")
CHAT = ChatAddresses(("json://localhost/x",), ("phone",))
NO_CHAT = ChatAddresses()
TEACHER = Person(role="teacher", email="teacher@quillbrook.example")


def lines(*people: Person, mail: MailServer | None = MAIL, chat: ChatAddresses = NO_CHAT) -> tuple[str, ...]:
    """As people read it, for a lab with these people."""
    lab = replace(READ, people=people)
    return reach_lines(told_of_high(lab, mail, chat), lab)


def test_each_place_has_its_people_with_the_ways_that_reach_them() -> None:
    """Every place of the lab and the collector itself, so that none is forgotten."""
    lab = replace(READ, people=(TEACHER,))
    reach = told_of_high(lab, MAIL, NO_CHAT)
    assert list(reach) == [*(place.id for place in lab.places), "collector"]
    assert set(reach.values()) == {(Hearer("teacher", ("email",)),)}
    assert (unwarned(reach), reach_lines(reach, lab)) == ((), ("anywhere: teacher by email",))


def test_a_file_and_a_chat_name_without_an_address_tell_nobody() -> None:
    """Also where other chat addresses are set."""
    other = Person(role="class", chat="class-4b")
    assert lines(TEACHER, mail=None) == ("anywhere: nobody",)
    assert lines(other) == ("anywhere: nobody",)
    assert lines(other, chat=CHAT) == ("anywhere: phone by chat",)
    assert lines(Person(role="night", email="n@quillbrook.example", chat="phone"), chat=CHAT) == (
        "anywhere: night by email and chat",
    )


def test_nobody_hears_where_there_are_no_people_or_only_low_priorities() -> None:
    """Low alarms are not what wakes anybody."""
    assert lines() == ("anywhere: nobody",)
    low = Person(role="teacher", email="teacher@quillbrook.example", priorities=("low",), where=("room",))
    assert lines(low) == ("anywhere: nobody",)


def test_places_told_alike_stand_together() -> None:
    """A bin stands for its trays where all of them are meant, and only there."""
    of_juniper = Person(role="class", email="class@quillbrook.example", where=("juniper",))
    assert lines(of_juniper) == ("juniper: class by email", "maple, room, the collector itself: nobody")
    of_trays = Person(role="class", email="class@quillbrook.example", where=("juniper/top", "maple/*"))
    untold, told = lines(of_trays)
    assert told == "juniper/top, maple/top, maple/middle, maple/bottom: class by email"
    assert untold == "juniper, juniper/middle, juniper/bottom, maple, room, the collector itself: nobody"


def test_only_those_of_the_first_turn_are_told_right_now() -> None:
    """The second turn hears later; where the first has no way, nobody hears at once. Not even a bin is left out."""
    second = Person(role="head", email="head@quillbrook.example", turn=2)
    assert lines(TEACHER, second) == ("anywhere: teacher by email",)
    assert lines(Person(role="class", chat="gone"), second) == ("anywhere: nobody",)


def test_some_places_are_named_and_all_are_anywhere() -> None:
    """For a sentence about them."""
    lab = replace(READ, people=())
    reach = told_of_high(lab, MAIL, NO_CHAT)
    assert places_words(unwarned(reach), reach, lab) == "anywhere"
    assert places_words(("room",), reach, lab) == "room"
