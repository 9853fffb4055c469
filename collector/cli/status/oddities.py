"""What came and became no reading: what nobody claims, and messages that were refused, with the reason."""

from collections.abc import Iterable, Sequence
from typing import Any

from collector.cli.local import Local
from collector.cli.output import iso, say, table
from collector.domain.lab import Lab
from collector.intake.claims import Claims
from collector.store.tables.oddity_rows import RejectedMessage, Stranger

_SHOWN = 20


def unclaimed(strangers: Iterable[Stranger], lab: Lab | None) -> list[Stranger]:
    """Those that no probe of lab.yaml claims by now; all of them where it cannot be used."""
    if lab is None:
        return list(strangers)
    claims = Claims(lab)
    return [stranger for stranger in strangers if not claims.claimed(stranger.topic, stranger.name)]


def stranger_values(stranger: Stranger) -> dict[str, Any]:
    """For `--json`."""
    return {
        "topic": stranger.topic,
        "name": stranger.name,
        "count": stranger.count,
        "first": iso(stranger.first_ms),
        "last": iso(stranger.last_ms),
        "sample": _text(stranger.sample),
    }


def refused_values(message: RejectedMessage) -> dict[str, Any]:
    """For `--json`."""
    return {
        "time": iso(message.t_ms),
        "topic": message.topic,
        "reason": message.reason,
        "first_bytes": _text(message.first_bytes),
    }


def say_strangers(strangers: Sequence[Stranger], local: Local) -> None:
    """Nothing where there are none."""
    if strangers:
        say()
        say("readings nobody claims (see: traywarden probes assign --help)")
        rows = [
            [stranger.topic, stranger.name, stranger.count, local.time(stranger.last_ms), _text(stranger.sample)]
            for stranger in strangers
        ]
        table(("topic", "record", "times", "last", "sample"), rows)


def say_refused(refused: Sequence[RejectedMessage], local: Local) -> None:
    """The newest; nothing where there are none."""
    if refused:
        say()
        say("refused lately (README says what a message should hold)")
        rows = [
            [local.time(message.t_ms), message.topic, message.reason, _text(message.first_bytes)]
            for message in refused[:_SHOWN]
        ]
        table(("time", "topic", "reason", "first bytes"), rows)
        if len(refused) > _SHOWN:
            say(f"{len(refused) - _SHOWN} more: traywarden probes list --json")


def _text(sample: bytes) -> str:
    """Bytes as text where they are plain text, else in hexadecimal."""
    text = sample.decode("utf-8", "replace")
    return text if text.isprintable() and "\ufffd" not in text else sample.hex(" ")
