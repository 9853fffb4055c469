"""The squeeze test in the words of whoever squeezes."""

import pytest

from collector.domain.squeeze import FEELS, IN_SHORT, Feel, feel_of


@pytest.mark.parametrize(
    ("words", "feel"),
    [
        ("dry", Feel.DRY),
        ("crumbles", Feel.DRY),
        ("It crumbles.", Feel.DRY),
        ("falls apart, no drop", Feel.DRY),
        ("damp", Feel.DAMP),
        ("holds together", Feel.DAMP),
        ("clumps, no drop", Feel.DAMP),
        ("holds together without a drop", Feel.DAMP),
        ("a drop", Feel.DAMP),
        ("A drop or two", Feel.DAMP),
        ("a few drops", Feel.DAMP),
        ("like a wrung-out sponge", Feel.DAMP),
        ("wet", Feel.WET),
        ("drips", Feel.WET),
        ("Water runs out!", Feel.WET),
        ("many drops", Feel.WET),
    ],
)
def test_what_a_child_says_is_taken(words: str, feel: Feel) -> None:
    """Plain variants, with or without capitals, stops and small words; clumps without a drop are no gap."""
    assert feel_of(words) is feel


@pytest.mark.parametrize("feel", list(Feel))
def test_every_answer_that_is_shown_is_taken(feel: Feel) -> None:
    """Each half of what help says of a feel means that feel; so does the one line of the digest."""
    for part in FEELS[feel].split("; "):
        assert feel_of(part) is feel, part
    (said,) = (answers for answers, noted in (one.split(": ") for one in IN_SHORT.split("; ")) if noted == feel)
    assert {feel_of(answer) for answer in said.split(", or ")} == {feel}


def test_an_unknown_word_is_answered_with_the_list() -> None:
    """With the nearest, where there is one; a number or 'no drop' alone says nothing."""
    listed = (
        "say one of: dry (crumbles; falls apart), damp (holds together, no drop; a drop; a few drops; like a wrung-out"
        " sponge), wet (drips; water runs out)"
    )
    for words, guess in (("purple", ""), ("75 %", ""), ("no drop", ""), ("dmp", "did you mean 'damp'? ")):
        with pytest.raises(ValueError, match="is not a result") as refused:
            feel_of(words)
        assert str(refused.value) == f"'{words}' is not a result of a squeeze test; {guess}{listed}"
