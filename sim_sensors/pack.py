"""What passes from a run to whoever publishes or records it."""

from dataclasses import dataclass, field

QOS = 1
"""Every message is sent so that the broker confirms it."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of truth. `kind` is probe, state, fault or harm; `phase` is begin or end, for others 'now'."""

    t_ms: int
    kind: str
    name: str
    place: str
    phase: str
    values: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pack:
    """One message, at the moment it reaches the broker."""

    t_ms: int
    topic: str
    payload: bytes
    facts: tuple[Fact, ...] = ()
    """What became true since the pack before it, this moment included; the last pack also carries what followed."""
    retain: bool = False
