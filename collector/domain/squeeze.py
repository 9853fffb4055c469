"""The squeeze test: what a handful from the middle of the bedding does when it is squeezed, in the words of whoever
squeezes, and the category it is kept as.

A category, never a percentage: the hand feels how full the bedding is relative to what it can hold, and the same feel
is 50-60 % in ordinary compost (a horse keepers' sheet) and, common practice without a source, 75-85 % in paper or coir
bedding; best activity is at 80-85 % of the water-holding capacity (the sheet of a compost laboratory). Bedding that
holds together without a drop and bedding that gives one to a few are both damp: the "wrung-out sponge" of the extension
services begins there, and there is no gap between two answers.
"""

import re
from collections.abc import Mapping
from enum import StrEnum

from collector.domain.problems import nearest
from collector.domain.words import shown


class Feel(StrEnum):
    """What a squeezed handful says."""

    DRY = "dry"
    DAMP = "damp"
    WET = "wet"


FEELS: Mapping[Feel, str] = {
    Feel.DRY: "crumbles; falls apart",
    Feel.DAMP: "holds together, no drop; a drop; a few drops; like a wrung-out sponge",
    Feel.WET: "drips; water runs out",
}
IN_SHORT = "crumbles: dry; holds together, or a drop: damp; drips: wet"
"""For where there is one line."""

PROBE_BANDS: Mapping[Feel, tuple[float, float]] = {
    Feel.DRY: (0.0, 75.0),
    Feel.DAMP: (60.0, 88.0),
    Feel.WET: (75.0, 100.0),
}
"""What a probe may say beside each feel, in % wet basis. The test reads how full the bedding is, not how much water it
holds (a compost laboratory's handbook): a wrung-out sponge is 50-60 % in ordinary compost (a leaflet on composting
manure) and 75-85 % in paper or coir (common practice). Coir is full at 88-92 % (computed from Evans and others 1996).
The ends are set wide for that reason (common practice, no source)."""

_ANSWERS: Mapping[Feel, tuple[str, ...]] = {
    Feel.DRY: ("crumbles", "crumbly", "falls apart", "breaks apart", "does not hold together", "dusty", "too dry"),
    Feel.DAMP: (
        "holds together",
        "sticks together",
        "clumps",
        "a drop",
        "one drop",
        "two drops",
        "a drop or two",
        "a few drops",
        "wrung-out sponge",
        "sponge",
        "moist",
    ),
    Feel.WET: ("drips", "dripping", "many drops", "runs", "water runs out", "runs out", "soaking", "soggy", "too wet"),
}
_FILLING = ("it", "is", "the", "a", "an", "just", "like", "and", "but")
_NO_DROP = re.compile(r"\b(?:no|not|without) (?:one |single )?drops?\b")
"""What crumbs and clumps have in common."""


def feel_of(text: str) -> Feel:
    """'Clumps, no drop' is damp. Raises ValueError that lists the answers."""
    found = _BY_WORD.get(_plain(text))
    if found is not None:
        return found
    near = nearest(_plain(text), _BY_WORD)
    guess = f"did you mean '{near}'? " if near else ""
    known = ", ".join(f"{feel} ({words})" for feel, words in FEELS.items())
    raise ValueError(f"{shown(text)} is not a result of a squeeze test; {guess}say one of: {known}")


def _plain(text: str) -> str:
    """The words that count, in small letters."""
    words = [word for word in re.findall(r"[\w']+", text.casefold()) if word not in _FILLING]
    return " ".join(_NO_DROP.sub("", " ".join(words)).split())


_BY_WORD = {_plain(word): feel for feel in Feel for word in (feel.value, *_ANSWERS[feel])}
