"""Text from lab files, probes and servers made safe to put on one line."""

import unicodedata


def visible(text: str) -> str:
    """The text with every control, format and line-breaking character written out ('\\n', '\\u202e').

    No header, no line of a message and no line of a log can then hold more than what it shows.
    """
    return "".join(_shown(char) for char in text)


def one_line(text: str, longest: int | None = None) -> str:
    """`visible` text without space around it, cut to `longest` characters."""
    line = visible(text).strip()
    return line if longest is None or len(line) <= longest else line[: longest - 1].rstrip() + "…"


def first_sentence(text: str, longest: int) -> str:
    """How a text of several sentences begins, on one line."""
    return one_line(after_sentence(text)[0], longest)


def after_sentence(text: str) -> tuple[str, str]:
    """The first sentence of a text, and what comes after it."""
    line = " ".join(text.split())
    end = line.find(". ")
    return (line, "") if end < 0 else (line[: end + 1], line[end + 2 :])


def _shown(char: str) -> str:
    if char.isprintable():
        return char
    return " " if char == "\t" or unicodedata.category(char) == "Zs" else char.encode("unicode_escape").decode("ascii")


def paragraphs(text: str) -> list[str]:
    """The lines of a text a person wrote, each made safe; empty ones dropped."""
    lines = (" ".join(one_line(line).split()) for line in text.replace("\r\n", "\n").split("\n"))
    return [line for line in lines if line]
