"""Place patterns: a place id whose levels may be '*': 'juniper/top', 'juniper/*', '*/top', 'room'."""

import re

_LEVEL = r"(?:\*|[A-Za-z0-9][A-Za-z0-9_-]*)"
_PATTERN = re.compile(f"{_LEVEL}(?:/{_LEVEL})?")


def is_pattern(text: str) -> bool:
    """Whether `text` can be a place pattern at all."""
    return _PATTERN.fullmatch(text) is not None


def fits(pattern: str, place: str) -> bool:
    """Whether one pattern covers one place. '*' stands for one whole level, so 'juniper/*' covers the trays of
    juniper and not the bin itself."""
    wanted, given = pattern.split("/"), place.split("/")
    return len(wanted) == len(given) and all(w in ("*", g) for w, g in zip(wanted, given, strict=True))
