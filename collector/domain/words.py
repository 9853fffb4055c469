"""Words that people write, in lab.yaml or in the diary: one line of plain text, one of a few known words."""

import re

from collector.domain.problems import nearest

MAX_NAME = 80
MAX_NOTE = 300
# Control characters end a mail header or a log line early; line and paragraph separators and the direction overrides
# of Unicode let a name look like something it is not.
UNSAFE = re.compile("[\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")


def plain_text(text: str, longest: int = MAX_NAME) -> str:
    """Text of one line that can stand in a subject line or on a page."""
    if not text.strip():
        raise ValueError("is empty; write a name or leave the key out")
    return one_line(text, longest)


def one_line(text: str, longest: int = MAX_NOTE) -> str:
    """Text of one line, of `longest` characters at most, without control characters; may be empty."""
    if len(text) > longest:
        raise ValueError(f"has {len(text)} characters; {longest} is the most")
    unsafe = UNSAFE.search(text)
    if unsafe:
        raise ValueError(f"holds the control character U+{ord(unsafe[0]):04X}; write it as one line of plain text")
    return text


def harmless(text: str) -> str:
    """Text for a terminal or a log with whatever is no plain text in it written out ('\\x1b', '\\u202e')."""
    if text.isprintable():
        return text
    kept = UNSAFE.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)
    return kept.encode("utf-8", "backslashreplace").decode("utf-8")  # half characters


def choice(text: str, what: str, known: tuple[str, ...]) -> str:
    """One of the known words; a slip is answered with the nearest."""
    if text in known:
        return text
    folded = {word.casefold(): word for word in known}
    near = text.casefold() if text.casefold() in folded else nearest(text, folded)
    right = f"did you mean '{folded[near]}'?" if near else f"known: {', '.join(known)}"
    raise ValueError(f"{shown(text)} is not a {what}; {right}")


def shown(value: object) -> str:
    """What somebody wrote, short enough to stand in a sentence."""
    text = repr(value) if not isinstance(value, (dict, list)) else "what stands here"
    return text if len(text) <= 60 else f"{text[:57]}..."
