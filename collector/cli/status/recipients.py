"""How everyone who is told something fares, as `status` shows it."""

from collections.abc import Container, Iterable
from typing import Any

from collector.cli.local import When, at
from collector.cli.output import iso
from collector.delivery.port import Way
from collector.domain.lab import Lab, Person
from collector.store.tables.recipients import Recipient


def recipient_rows(found: Iterable[Recipient], lab: Lab | None, when: When = iso) -> list[dict[str, Any]]:
    """A row for each way to reach somebody: the people of lab.yaml first, also those who have had no message yet, then
    whom only the outbox remembers."""
    known = {(row.channel, row.recipient): row for row in found}
    roles: dict[tuple[str, str], list[str]] = {}
    for person in lab.people if lab is not None else ():
        for way in _ways(person, known):
            roles.setdefault(way, []).append(person.role)
    rest = {way: [way[1] if way[0] == Way.CHAT else ""] for way in known if way not in roles}
    return [_row(", ".join(names), known.get(way) or _nothing_yet(*way), when) for way, names in (roles | rest).items()]


def _nothing_yet(channel: str, recipient: str) -> Recipient:
    return Recipient(
        channel=channel,
        recipient=recipient,
        waiting=0,
        sent=0,
        failed=0,
        unconfirmed=0,
        delivered_ms=None,
        last_error="",
    )


def _ways(person: Person, known: Container[tuple[str, str]]) -> list[tuple[str, str]]:
    """Mail by the server or by files, as it was so far."""
    mail = [way for way in ((Way.EMAIL, person.email), (Way.FILE, person.email)) if way in known]
    ways = [*(mail or [(Way.EMAIL, person.email)]), (Way.CHAT, person.chat)]
    return [way for way in ways if way[1]]


def _row(who: str, recipient: Recipient, when: When) -> dict[str, Any]:
    return {
        "who": who,
        "by": recipient.channel,
        "recipient": recipient.recipient,
        "waiting": recipient.waiting,
        "sent": recipient.sent,
        "failed": recipient.failed,
        "unconfirmed": recipient.unconfirmed,
        "last_delivered": at(when, recipient.delivered_ms),
        "last_error": recipient.last_error,
    }
