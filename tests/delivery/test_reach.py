"""Who would be told of a high alarm at each place right now, by which ways."""

from dataclasses import replace

from collector.config.lab_file import read_lab
from collector.delivery.reach import reach_now
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Person
from collector.telling.reach import Hearer, reach_lines, reach_of, reach_text, unwarned, unwarned_words
from tests.worlds.home import LAB

READ = read_lab(LAB, "lab.yaml")
MAIL = MailServer(host="mail.quillbrook.example")
CHAT = ChatAddresses(("json://localhost/x",), ("phone",))
NO_CHAT = ChatAddresses()
TEACHER = Person(role="teacher", email="teacher@quillbrook.example")


def lines(*people: Person, mail: MailServer | None = MAIL, chat: ChatAddresses = NO_CHAT) -> tuple[str, ...]:
    """As people read it, for a lab with these people."""
    lab = replace(READ, people=people)
    return reach_lines(reach_now(lab, mail, chat), lab)


def test_each_place_has_its_people_with_the_ways_that_reach_them() -> None:
    """Every place of the lab and the collector itself, so that none is forgotten."""
    lab = replace(READ, people=(TEACHER,))
    reach = reach_now(lab, MAIL, NO_CHAT)
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


def test_where_nobody_would_hear_is_one_sentence() -> None:
    """For the log and `checkup`; nothing where somebody hears everywhere."""
    lab = replace(READ, people=(replace(TEACHER, where=("juniper", "maple")),))
    assert unwarned_words(reach_now(lab, MAIL, NO_CHAT), lab) == (
        "nobody would be told of a high alarm now, room, the collector itself; "
        "see 'people' in lab.yaml and deploy/ALERTS.md"
    )
    lab = replace(READ, people=(TEACHER,))
    assert unwarned_words(reach_now(lab, MAIL, NO_CHAT), lab) == ""


def test_what_is_kept_is_read_as_it_was() -> None:
    """Nothing kept is nothing known. Without a lab.yaml that can be read each place stands by itself."""
    lab = replace(READ, people=(replace(TEACHER, where=("juniper",)),))
    reach = reach_now(lab, MAIL, NO_CHAT)
    assert reach_of(reach_text(reach)) == reach
    assert reach_of("") == {}
    assert reach_lines(reach, None)[0] == "juniper, juniper/top, juniper/middle, juniper/bottom: teacher by email"
