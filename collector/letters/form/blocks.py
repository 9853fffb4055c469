"""A message as blocks, which are the same in plain text and in HTML.

Texts in a block hold no line breaks and no markup; each is made safe where it comes in (`plain`).
"""

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import assert_never

WIDTH = 72
"""Longest line but for links: under the 78 of RFC 5322 section 2.1.1, with room for what quoting a mail adds."""
_LABEL = 12
_UNIT = re.compile(r"(?<=\d) (?=%|°|[A-Za-z]{1,3}\b)")
"""The space between a number and what it counts: '59.7 %', '20 s', '3 Mar'."""


@dataclass(frozen=True, slots=True)
class Lead:
    """The first words, which a phone shows in its list of messages."""

    text: str


@dataclass(frozen=True, slots=True)
class Heading:
    """`tag`: a word of urgency before it, empty where the subject has it. `level` 1 is the message's own."""

    text: str
    tag: str = ""
    level: int = 1


@dataclass(frozen=True, slots=True)
class Fields:
    """Facts, each a label and what it is."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Passage:
    """Paragraphs under a title; with an empty title, paragraphs that stand by themselves."""

    title: str
    paragraphs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bullets:
    """A line each."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HowToAnswer:
    """What to press or type: `url` empty where there is no page, `command` a word each."""

    title: str
    url: str
    command: tuple[str, ...]
    button: str = "Acknowledge"


@dataclass(frozen=True, slots=True)
class PicturePlace:
    """Where the picture goes, where there is one; nothing in plain text."""


Block = Lead | Heading | Fields | Passage | Bullets | HowToAnswer | PicturePlace


def plain_text(blocks: Sequence[Block]) -> str:
    """Lines of WIDTH at most, a blank one between blocks; ends with a line break."""
    parts = ["\n".join(_lines(block)) for block in blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def _lines(block: Block) -> list[str]:
    match block:
        case Lead(text):
            return _wrapped(text)
        case Heading(text, tag, level):
            lines = _wrapped(f"{tag}: {text}" if tag else text)
            return lines if level == 1 else [*lines, "-" * max(map(len, lines))]
        case Fields(rows):
            return [_field(label, text) for label, text in rows]
        case Passage(title, paragraphs):
            return _passage(title, paragraphs)
        case Bullets(title, lines):
            return _bullets(title, lines)
        case HowToAnswer(title=title, url=url, command=command):
            return [f"{title}:", *_answer(url, command)]
        case PicturePlace():
            return []
        case _:
            assert_never(block)


def glued(text: str) -> str:
    """With no line break between a number and its unit."""
    return _UNIT.sub("\u00a0", text)


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    """Lines of WIDTH at most; a number stays with its unit."""
    lines = textwrap.wrap(glued(text), WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def _field(label: str, text: str) -> str:
    return "\n".join(_wrapped(f"{label + ':':<{_LABEL}} {text}", rest=" " * (_LABEL + 1)))


def _passage(title: str, paragraphs: tuple[str, ...]) -> list[str]:
    if not title:
        return [line for part in paragraphs for line in _wrapped(part)]
    return [f"{title}:", *(line for part in paragraphs for line in _wrapped(part, "  ", "  "))]


def _bullets(title: str, lines: tuple[str, ...]) -> list[str]:
    found = [line for part in lines for line in _wrapped(part, "- ", "  ")]
    return [*_wrapped(f"{title}:"), *found] if title else found


def _answer(url: str, command: tuple[str, ...]) -> list[str]:
    line = "  " + " ".join(command)
    split = [f"  {' '.join(command[:-4])} \\", f"    {' '.join(command[-4:])}"]  # where and by whom
    typed = [line] if len(line) <= WIDTH else split
    return [f"  {url}", "or type:", *typed] if url else typed


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report: lines under a title."""

    title: str
    lines: tuple[str, ...]
