"""Which probes could both claim one message: a reading must have one home.

Probes may share a topic (one board with a sensor in each tray) as long as their records differ by name or pointer.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from collector.config.yaml.text import Marked
from collector.domain.lab import Format
from collector.domain.problems import Problem

_NAME_BREAKS = (":", "/", ".")


@dataclass(frozen=True, slots=True)
class _Claim:
    probe: str
    topic: str
    format: str
    names: frozenset[str]
    """Resolved SenML names or JSON Pointers; empty for a bare number."""
    loose: bool
    """SenML without a senml_name: takes its names after any base name."""


def shared_messages(marked: Marked, probes: Mapping[str, Any]) -> Iterator[Problem]:
    """A problem at the later probe of each pair that could both claim one message."""
    for first, second in combinations(_claims(probes), 2):
        if not topics_overlap(first.topic, second.topic):
            continue
        line = marked.keys["probes", first.probe].line
        other = f"probe '{first.probe}' (line {line})"
        if first.format != second.format:
            message = f"{other} takes the same messages as {first.format}, this one as {second.format}; "
            yield marked.problem(("probes", second.probe, "topic"), message + "give each its own topic")
        else:
            shared = _shared_name(first, second)
            if shared is not None:
                yield marked.problem(("probes", second.probe, "topic"), _words(second.format, shared, other))


def _words(kind: str, shared: str, other: str) -> str:
    if kind == Format.NUMBER.value:
        return f"{other} takes the same messages; give each its own topic"
    if kind == Format.JSON.value:
        return f"{other} takes {shared!r} of the same messages; give each its own topic or other pointers"
    return f"{other} takes records named {shared!r} from the same topic; give each its own topic or senml_name"


def _claims(probes: Mapping[str, Any]) -> Iterator[_Claim]:
    """One for each probe of which enough is readable."""
    for name, probe in probes.items():
        if probe and probe.get("topic") is not None and probe.get("format") is not None:
            channels = [channel for channel in (probe.get("channels") or {}).values() if channel]
            kind, prefix = probe["format"], probe.get("senml_name") or ""
            key = "pointer" if kind == Format.JSON.value else "name"
            written = [channel[key] for channel in channels if channel.get(key) is not None]
            senml = kind in (Format.SENML_JSON.value, Format.SENML_CBOR.value)
            names = frozenset(f"{prefix}{one}" if senml else one for one in written)
            yield _Claim(name, probe["topic"], kind, names, senml and not prefix)


def _shared_name(first: _Claim, second: _Claim) -> str | None:
    """A name both claim, or None. '' stands for the whole message of a bare number."""
    if first.format == Format.NUMBER.value:
        return ""
    shared = first.names & second.names
    if first.loose:
        shared |= _ending_in(first.names, second.names)
    if second.loose:
        shared |= _ending_in(second.names, first.names)
    return min(shared, default=None)


def _ending_in(short: frozenset[str], names: Iterable[str]) -> frozenset[str]:
    return frozenset(name for name in names if any(name.rpartition(mark)[2] in short for mark in _NAME_BREAKS))


def topics_overlap(first: str, second: str) -> bool:
    """Whether some topic matches both filters (of plain levels and '+'; MQTT 5.0 section 4.7)."""
    if "$" in (first[:1], second[:1]) and first[:1] != second[:1]:
        return False  # a leading wildcard never matches a topic that starts with '$'
    one, other = first.split("/"), second.split("/")
    return len(one) == len(other) and all(a == b or "+" in (a, b) for a, b in zip(one, other, strict=True))
