"""Which probes could both claim one message: a reading must have one home.

Probes may share a topic (one board with a sensor in each tray) as long as their records differ by name or pointer.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from collector.config.yaml.text import Marked
from collector.domain.lab import Format
from collector.domain.problems import Problem

_NAME_BREAKS = (":", "/", ".")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Claim:
    probe: str
    topic: str
    format: str
    names: frozenset[str]
    """Resolved SenML names or JSON Pointers; empty for a bare number."""
    loose: bool
    """SenML without a senml_name: takes its names after any base name."""


def shared_messages(marked: Marked, probes: Mapping[str, Any]) -> Iterator[Problem]:
    """A problem at each probe that could claim a message which a probe before it claims, naming the first such."""
    before: list[_Claim] = []
    filters = Filters()
    for number, claim in enumerate(_claims(probes)):
        earlier = min((found for taken in filters.overlapping(claim.topic) for found in taken.by(claim)), default=None)
        if earlier is not None:
            yield _shared(marked, before[earlier], claim)
        filters.at(claim.topic).add(number, claim)
        before.append(claim)


def _shared(marked: Marked, first: _Claim, second: _Claim) -> Problem:
    other = f"probe '{first.probe}' (line {marked.keys['probes', first.probe].line})"
    if first.format == second.format:
        said = _words(second.format, _shared_name(first, second), other)
    else:
        said = (
            f"{other} takes the same messages as {first.format}, this one as {second.format}; give each its own topic"
        )
    return marked.problem(("probes", second.probe, "topic"), said)


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
            names = frozenset(f"{prefix}{text}" if senml else text for text in written)
            yield _Claim(probe=name, topic=probe["topic"], format=kind, names=names, loose=senml and not prefix)


def _shared_name(first: _Claim, second: _Claim) -> str:
    """The first of the names that both claim. '' stands for the whole message of a bare number."""
    shared = first.names & second.names
    if first.loose:
        shared |= _ending_in(first.names, second.names)
    if second.loose:
        shared |= _ending_in(second.names, first.names)
    return min(shared, default="")


def _ending_in(short: frozenset[str], names: Iterable[str]) -> frozenset[str]:
    return frozenset(name for name in names if not short.isdisjoint(_endings(name)))


def _endings(name: str) -> set[str]:
    return {name.rpartition(mark)[2] for mark in _NAME_BREAKS}


class _Taken:
    """What the probes of one topic filter take, each thing with the number of the first probe that takes it."""

    def __init__(self) -> None:
        self._formats: dict[str, int] = {}
        self._names: dict[tuple[str, str], int] = {}
        self._endings: dict[tuple[str, str], int] = {}
        self._loose: dict[tuple[str, str], int] = {}

    def add(self, number: int, claim: _Claim) -> None:
        self._formats.setdefault(claim.format, number)
        for name in claim.names:
            self._names.setdefault((claim.format, name), number)
            for ending in _endings(name):
                self._endings.setdefault((claim.format, ending), number)
            if claim.loose:
                self._loose.setdefault((claim.format, name), number)

    def by(self, claim: _Claim) -> Iterator[int]:
        """Numbers of probes that take messages of `claim` too, the first such among them."""
        kind = claim.format
        for other, number in self._formats.items():
            if other != kind or kind == Format.NUMBER.value:
                yield number
        for name in claim.names:
            wanted = [(self._names, name), *((self._loose, ending) for ending in _endings(name))]
            if claim.loose:
                wanted.append((self._endings, name))
            yield from (known[kind, text] for known, text in wanted if (kind, text) in known)


class Filters:
    """Topic filters (plain levels and '+'; MQTT 5.0 section 4.7) by their levels, so that thousands of probes are not
    compared pair by pair."""

    def __init__(self) -> None:
        self._below: dict[str, Filters] = {}
        self._taken = _Taken()

    def at(self, topic: str) -> _Taken:
        node = self
        for level in topic.split("/"):
            node = node._below.setdefault(level, Filters())
        return node._taken

    def overlapping(self, topic: str) -> Iterator[_Taken]:
        """Of all filters here that some topic matches as well as `topic`."""
        nodes = [self]
        for level in topic.split("/"):
            nodes = [below for node in nodes for below in node._matching(level, top=node is self)]
        yield from (node._taken for node in nodes)

    def _matching(self, level: str, *, top: bool) -> Iterator["Filters"]:
        """`top`: a wildcard there never matches a topic that starts with '$'."""
        if level == "+":
            yield from (below for key, below in self._below.items() if not (top and key.startswith("$")))
            return
        for key in (level,) if top and level.startswith("$") else (level, "+"):
            if key in self._below:
                yield self._below[key]
