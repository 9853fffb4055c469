"""From one rule set to the next: which alarms are new, gone or different, and which states may be carried over.

A rule set is remembered as one line of text for each alarm (`signatures`), so that a change is also seen over a stop.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from hashlib import sha256

from collector.alarms.engine import Engine
from collector.alarms.model import AlarmKey, AlarmState, Link, Rule, Transition
from collector.alarms.start import Kept, Running, Site
from collector.domain.lab import Lab

Signatures = Mapping[str, str]
"""Name of an alarm -> what it watches, then a digest of everything that it does and says."""
_SUBJECT = ("kind", "measure", "against", "what")
"""Fields that make it another alarm, whatever its name: its states mean nothing under a new one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleChange:
    """What is different; names in the order of the rules."""

    added: tuple[str, ...]
    removed: tuple[str, ...]
    changed: tuple[str, ...]
    replaced: tuple[str, ...]
    """Those of `changed` that now watch something else: what stood is closed."""

    def __bool__(self) -> bool:
        return bool(self.added or self.removed or self.changed)

    def __str__(self) -> str:
        parts = (("added", self.added), ("removed", self.removed), ("changed", self.changed))
        return "; ".join(f"{what} {', '.join(names)}" for what, names in parts if names)


def signatures(rules: Iterable[Rule]) -> dict[str, str]:
    """Each alarm of a rule set in one line."""
    return {rule.name: f"{_subject(rule)} {_digest(rule)}" for rule in rules}


def difference(before: Signatures, after: Signatures) -> RuleChange:
    """What is new, gone or different from the one rule set to the other."""
    both = [name for name in after if name in before and before[name] != after[name]]
    return RuleChange(
        added=tuple(name for name in after if name not in before),
        removed=tuple(name for name in before if name not in after),
        changed=tuple(both),
        replaced=tuple(name for name in both if before[name].rpartition(" ")[0] != after[name].rpartition(" ")[0]),
    )


def retire(
    states: Mapping[AlarmKey, AlarmState], names: Sequence[str], lab: Lab, link: Link, now_ms: int
) -> tuple[list[Transition], dict[AlarmKey, AlarmState]]:
    """Close what stands under these names: the changes to record, and the states from then on."""
    theirs = {key: state for key, state in states.items() if key.rule in names}
    closing = Engine((), Site(lab, ()), Kept(states=theirs), Running(link))
    return closing.opening(now_ms), closing.changed_states()


def _subject(rule: Rule) -> str:
    return "/".join(str(getattr(rule, name, "")) for name in _SUBJECT)


def _digest(rule: Rule) -> str:
    """The same for a rule of the same meaning, also in a later version that knows more fields: those left at their
    default do not count, nor does the place in the file."""
    said = {
        field.name: getattr(rule, field.name)
        for field in fields(rule)
        if field.name != "source" and (field.default is MISSING or getattr(rule, field.name) != field.default)
    }
    return sha256(repr(said).encode()).hexdigest()[:12]
