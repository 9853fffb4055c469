"""Which ways of reaching people there are."""

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

from collector.delivery.chat import ChatCarrier, chat_names
from collector.delivery.mail import MailCarrier
from collector.delivery.mail_files import FileCarrier
from collector.delivery.port import Carrier, Draw, Way, no_picture
from collector.delivery.servers import ChatAddresses, MailServer
from collector.domain.lab import Lab, Person


@dataclass(frozen=True, slots=True)
class Addressee:
    """One row of the outbox for each: its `channel` and `recipient`."""

    channel: str
    recipient: str


def everyone(lab: Lab, chat: ChatAddresses) -> tuple[Person, ...]:
    """The people of the lab file, then each chat address that none of them has, as someone of its own who hears what
    must not wait: no low alarms, no digest."""
    taken = {person.chat for person in lab.people}
    rest = (name for name in chat_names(chat) if name not in taken)
    return (
        *(reachable(person, chat) for person in lab.people),
        *(Person(role=name, email="", priorities=("medium", "high"), chat=name, digest=False) for name in rest),
    )


def reachable(person: Person, chat: ChatAddresses) -> Person:
    """Without a chat address that the settings do not have, where there is mail: `checkup` tells of it. Who has nothing
    else keeps it, so that what fails there is told to the others."""
    return replace(person, chat="") if person.email and person.chat not in chat_names(chat) else person


def addressees_of(person: Person, mail: MailServer | None) -> tuple[Addressee, ...]:
    """Every way to reach someone; mail goes to files where no mail server is set."""
    by = Way.EMAIL if mail is not None else Way.FILE
    ways = (Addressee(by, person.email), Addressee(Way.CHAT, person.chat))
    return tuple(way for way in ways if way.recipient)


def row_key(key: str, way: Addressee) -> str:
    """A message's key for one way of reaching its reader; gives no address away."""
    digest = hashlib.sha256(f"{way.channel}:{way.recipient}".encode("utf-8", "surrogatepass"))
    return f"{key}-{digest.hexdigest()[:16]}"


def carriers(
    mail: MailServer | None,
    chat: ChatAddresses,
    folder: Path,
    lab_name: str,
    sender: str = "traywarden@localhost",
    draw: Draw = no_picture,
) -> dict[str, Carrier]:
    """The channels by the name they have in the outbox. `folder` takes mail where no mail server is set."""
    ways: dict[str, Carrier] = {
        Way.FILE: FileCarrier(folder, mail.sender if mail is not None else sender, lab_name, draw)
    }
    if mail is not None:
        ways[Way.EMAIL] = MailCarrier(mail, lab_name, draw)
    if chat.urls:
        ways[Way.CHAT] = ChatCarrier(chat)
    return ways
