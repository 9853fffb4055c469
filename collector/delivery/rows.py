"""A letter addressed: what goes into the outbox for it."""

from collections.abc import Iterable

from collector.delivery.addressing import Addressee, row_key
from collector.delivery.port import Way
from collector.letters.letter import Letter
from collector.store.batch import NewMessage


def rows_of(
    letter: Letter, key: str, ways: Iterable[Addressee], *, priority: str, now_ms: int, threads: Iterable[str] = ()
) -> list[NewMessage]:
    """A row for each way to reach the reader. `key` names what is told, `threads` what it answers, both without their
    recipient's part. Chat has the short form, and nothing to look at."""
    earlier = tuple(threads)
    rows = []
    for way in ways:
        chat = way.channel == Way.CHAT
        rows.append(
            NewMessage(
                key=row_key(key, way),
                recipient=way.recipient,
                channel=way.channel,
                priority=priority,
                subject=letter.subject,
                body=letter.short if chat else letter.body,
                created_ms=now_ms,
                html="" if chat else letter.html,
                picture="" if chat else letter.picture,
                parents=tuple(row_key(thread, way) for thread in earlier),
            )
        )
    return rows
