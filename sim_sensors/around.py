"""What stands around a story: how seeds vary it, what is said of it, what comes of it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Vary:
    """How far a seed may move a scenario, up or down."""

    onset_ms: int = 0
    """All that happens, by one amount, so that the story hangs together."""
    size: float = 0.0
    """Sizes of faults, each by a share of its own."""
    moisture_pct: float = 0.0
    """Each tray at the start, points of wet basis."""
    temp_c: float = 0.0
    """Room, trays and season by one amount; each heat wave and each cold by another."""
    humidity_pct: float = 0.0
    """The room's air, points."""


FIXED = Vary()


@dataclass(frozen=True, slots=True)
class Caption:
    """What somebody who watches the story is told as it goes."""

    at_ms: int
    says: str


@dataclass(frozen=True, slots=True)
class Expected:
    """A harm that comes in every seed where nobody acts on a message."""

    what: str
    place: str
    from_ms: int
    to_ms: int
    """It begins between these; since the run began."""
    know_by_ms: int
    """Who knows by then can still prevent damage, whatever the seed."""
    seldom: bool = False
    """Only some seeds come to it."""
