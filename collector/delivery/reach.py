"""Who would be told of a high alarm right now, by the ways that the settings have."""

from collector.delivery.addressing import addressees_of, everyone
from collector.delivery.chat import chat_names
from collector.delivery.port import Way
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Lab, Person
from collector.telling.reach import Reach, told_of_high


def reach_now(lab: Lab, mail: MailServer | None, chat: ChatAddresses) -> Reach:
    """A file in the outbox folder tells nobody, and a chat name without an address neither. Whether a server answers
    is for others to try."""
    known = frozenset(chat_names(chat))

    def ways(person: Person) -> tuple[str, ...]:
        reaching = (way for way in addressees_of(person, mail) if way.channel == Way.EMAIL or way.recipient in known)
        return tuple(str(way.channel) for way in reaching)

    return told_of_high(lab, everyone(lab, chat), ways)
