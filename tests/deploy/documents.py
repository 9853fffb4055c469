"""The documents as tests read them: every page of ours, and what it tells people to type."""

import re
from pathlib import Path

from tests.deploy.machine import CHECKOUT

PAGES = tuple(
    str(path.relative_to(CHECKOUT))
    for folder in (".", "deploy", "deploy/probe", "rules")
    for path in sorted((CHECKOUT / folder).glob("*.md"))
)
"""By their paths from the checkout."""


def page(name: str) -> str:
    return (CHECKOUT / name).read_text(encoding="utf-8")


def flowing(name: str) -> str:
    """The page with each run of blanks and line ends as one blank."""
    return " ".join(page(name).split())


def folder_of(name: str) -> Path:
    return (CHECKOUT / name).parent


def typed(name: str) -> list[str]:
    """Each line of the indented blocks, with its continued lines, without comment and `sudo`; on a page that shows what
    commands print, only what stands behind a `$`."""
    text = re.sub(r"\\\n\s*", " ", page(name))
    lines = re.findall(r"(?m)^    (?=\S)(.+)$", text)
    behind = [line.removeprefix("$ ") for line in lines if line.startswith("$ ")]
    return [re.sub(r"\s+#.*", "", line).removeprefix("sudo ") for line in behind or lines]


def quoted(name: str) -> list[str]:
    """What stands in backquotes, without `sudo`."""
    return [span.removeprefix("sudo ") for span in re.findall(r"`([^`\n]+)`", page(name))]
