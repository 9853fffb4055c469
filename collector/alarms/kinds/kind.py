"""What a kind of rule is: one frozen description, which everything that reads, runs, checks or tells rules asks.

Each kind, or tight pair, is a module of this room; `collector.alarms.kinds.table` lists them.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol

from collector.alarms.kinds.ground import Ground
from collector.alarms.kinds.setpoint import Setpoint
from collector.alarms.model import Kind, Rule
from collector.domain.lab import Lab, Place, Series
from collector.domain.units import Measure

DELAYS = ("on_delay", "off_delay")


class About(StrEnum):
    """What an alarm of the kind is about, by which messages, pages and advice choose what to say."""

    LEVEL = "level"
    """The reading itself is beyond the setpoint."""
    GAP = "gap"
    """The reading is too far from another."""
    COURSE = "course"
    """The reading is on its way, too fast or to the wrong place."""
    PROBE = "probe"
    """The probe is in doubt, not what it measures."""
    DEED = "deed"
    """People have not done something."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Something about a rule that can be read but may not do what was meant."""

    rule: Rule
    field: str
    message: str
    because: tuple[str, ...] = ()
    """Other fields of the rule that it follows from, the likeliest first."""
    beside: Rule | None = None
    """The rule that it clashes with, if it is about two."""
    theirs: tuple[str, ...] = ()
    """Fields of that one that it follows from."""


class Clash(NamedTuple):
    """Fields of one rule that do not go together."""

    field: str
    message: str
    because: tuple[str, ...]
    """The other fields that it follows from."""


class Subject(Protocol):
    """One alarm at one series as it is spoken of."""

    @property
    def rule(self) -> Rule: ...
    @property
    def series(self) -> Series: ...
    @property
    def lab(self) -> Lab: ...
    @property
    def measure(self) -> str:
        """What people call what is measured."""

    @property
    def limit(self) -> str:
        """The setpoint in words; empty where it is on or off."""

    @property
    def switch(self) -> bool:
        """Whether what is measured is on or off."""

    @property
    def link(self) -> bool:
        """Whether it is the collector's own link to the broker."""

    def line(self, text: str) -> str:
        """A name from a file or a probe, safe to stand in a sentence."""


def _restored(said: Subject) -> str:
    return f"{said.measure} back to normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What is said of an alarm of the kind."""

    wrong: Callable[[Subject], str]
    """What is wrong: 'bedding temperature too high'."""
    right_again: Callable[[Subject], str] = _restored
    """What has become of it: 'bedding temperature back to normal'."""
    figure: str = ""
    """What the figure compared with the setpoint is called, where it is not the reading itself."""
    of: Callable[[Rule], str] = lambda rule: ""
    """What that figure is a part of: ' of the readings of the last 6 h'."""


def window_memory_ms(rule: Rule, slowest_ms: int) -> int:
    """As far back as the window and the delays after it."""
    return rule.window_ms + max(rule.on_delay_ms, rule.off_delay_ms) if rule.window_ms else 0


def no_clash(setpoint: float | None, off_delay_ms: int | None) -> Iterable[Clash]:
    """Nothing to say of fields together."""
    return ()


def alone(rule: Rule, series: Series, known: Sequence[Series], lab: Lab) -> Sequence[Series]:
    """No other series."""
    return ()


def no_doubts(rule: Rule, lab: Lab) -> Iterable[Doubt]:
    """Nothing to doubt."""
    return ()


def no_doubts_beside(one: Rule, other: Rule) -> Iterable[Doubt]:
    """Nothing to doubt."""
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleKind:
    """Everything that is particular to one kind. What a kind does not say is as most kinds have it."""

    kind: Kind
    means: str
    """What alarms of the kind are about, for who writes rules."""
    about: About
    words: Words

    # In a rule file
    needs: tuple[str, ...] = ()
    """Fields that it cannot do without, beyond those that every alarm has."""
    takes: tuple[str, ...] = ()
    """Fields that it may have, beyond those that every alarm may have."""
    setpoint: Setpoint
    quantity_only: bool = False
    """Whether a measure that is on or off makes no sense."""
    against: Callable[[object, Measure | None], str] | None = None
    """Reads the field `against`; ValueError says what would be right."""
    against_means: str = ""
    """What that field says, for who writes rules."""
    counts: Callable[[object, Measure | None], str] | None = None
    """Reads the field `counts`, as `against` reads its own."""
    foresees: bool = False
    """Whether what it compares is yet to come, and told as an outlook in place of a value."""
    watches_link: bool = False
    """Whether it can watch the collector's own link to the broker."""
    clashes: Callable[[float | None, int | None], Iterable[Clash]] = no_clash
    """(setpoint, off_delay_ms), as far as they could be read -> what no field can know alone."""

    # At work
    direction: Callable[[Rule], float] = lambda rule: 1.0
    """1.0 where it alarms above the setpoint, -1.0 where it does below."""
    place: Callable[[Rule, Ground], None]
    """Makes the alarms of a rule, everywhere it holds."""
    memory_ms: Callable[[Rule, int], int] = window_memory_ms
    """(rule, slowest reporting interval of the lab) -> how far before the newest reading stored rows must reach for a
    restart to change nothing."""
    beside: Callable[[Rule, Series, Sequence[Series], Lab], Sequence[Series]] = alone
    """The other series that an alarm at this one depends on."""
    stands_at: Callable[[Rule, Place], bool] | None = None
    """Whether a rule makes an alarm at a place; None where it makes one for each series it fits."""
    from_notes: Callable[[Rule], bool] = lambda rule: False
    """Whether it follows what people note, and not readings alone."""

    # For who writes rules
    doubts: Callable[[Rule, Lab], Iterable[Doubt]] = no_doubts
    doubts_beside: Callable[[Rule, Rule], Iterable[Doubt]] = no_doubts_beside
    """What two rules of one measure that hold at one place do to each other."""
    clears_with: Callable[[Rule, float], bool] = lambda rule, deadband: False
    """Whether a deadband so wide still lets it clear; never, where a wider one is nothing to try."""

    def foreign(self, fields: Iterable[str]) -> Iterator[str]:
        """Those of these fields that mean nothing for the kind."""
        return (field for field in fields if field not in self.needs and field not in self.takes)
