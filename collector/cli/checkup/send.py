"""`checkup --send`: a test to everyone by every way, and what each server answered."""

from collections.abc import Iterator
from dataclasses import dataclass

from collector.cli.checkup.checks import Finding, fix, good, note
from collector.config.home import Home
from collector.config.settings import Settings
from collector.delivery.addressing import Addressee, addressees_of, carriers, everyone
from collector.delivery.port import Carrier, NotDelivered
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.lab import Lab
from collector.domain.problems import Refused
from collector.letters.plain import one_line


@dataclass(frozen=True, slots=True)
class _Test:
    """A message as the channels take it; not kept in the outbox and never tried again."""

    key: str
    recipient: str
    channel: str
    subject: str
    body: str
    created_ms: int
    id: int = 0
    priority: str = "low"
    attempts: int = 0
    html: str = ""
    parents: tuple[str, ...] = ()
    picture: str = ""


def check_send(home: Home, settings: Settings, now_ms: int) -> Iterator[Finding]:
    """One finding for each way to reach somebody, each address once. Nothing is sent where lab.yaml cannot be used."""
    try:
        lab = home.load_lab()
    except Refused:
        yield fix("send", "nothing sent: lab.yaml cannot be used")
        return
    mail, chat = mail_server_of(settings), chat_addresses_of(settings)
    ways: dict[Addressee, list[str]] = {}
    for person in (*lab.people, *everyone(lab, chat)[len(lab.people) :]):  # also by a chat that the settings lack
        for way in addressees_of(person, mail):
            ways.setdefault(way, []).append(person.role)
    if not ways:
        yield note("send", "nobody to send a test to: 'people' in lab.yaml names nobody")
    known = carriers(mail, chat, home.outbox_folder, lab.name, settings.mail.sender)
    for way, roles in ways.items():
        yield _sent(" and ".join(roles), way, known.get(way.channel), lab, now_ms)


def _sent(who: str, way: Addressee, channel: Carrier | None, lab: Lab, now_ms: int) -> Finding:
    whom = f"{who} by {way.channel} to {one_line(way.recipient, 80)}"
    if channel is None:
        return fix("send", f"{whom}: TRAYWARDEN_CHAT__URLS is not set")
    subject = f"Test from {one_line(lab.name, 80)}"
    body = (
        f"This is a test of how {one_line(lab.name, 80)} reaches you ({who}).\n\n"
        "It arrived, so nothing needs doing. Alarms of the worm lab will come from the same sender.\n"
    )
    test = _Test(f"test-{now_ms}-{way.channel}-{way.recipient}", way.recipient, way.channel, subject, body, now_ms)
    try:
        return good("send", f"{whom}: {channel.deliver(test, lambda: None) or 'taken'}")
    except NotDelivered as failure:
        return fix("send", f"{whom}: {failure}")
