"""A home folder made by the program of before: what its lab.yaml is told, and that this is all there is to change."""

from pathlib import Path

import pytest

from collector.config.lab_file import read_lab
from collector.domain.problems import Refused

BEFORE = (Path(__file__).parent / "lab_before.yaml").read_text(encoding="utf-8")
"""As `traywarden init` wrote it, with its example of a caretaker taken up."""


def _told(text: str) -> list[str]:
    with pytest.raises(Refused) as refused:
        read_lab(text)
    return [str(problem) for problem in refused.value.problems]


def test_a_file_of_before_is_told_what_to_rename() -> None:
    """Old keys are not taken: each is named with its line, its column and what it is called now, nothing else is."""
    assert _told(BEFORE) == [
        "lab.yaml:25:3 messages.escalate_after: unknown key; it is called 'pass_on_after' now",
        "lab.yaml:135:84 people.caretaker.step: unknown key; it is called 'turn' now",
    ]


def test_renamed_as_told_it_loads_and_means_the_same() -> None:
    """With these two renames the file is good, and people are told in the turns and at the times they were."""
    lab = read_lab(BEFORE.replace("escalate_after:", "pass_on_after:").replace("step:", "turn:"))
    assert lab.telling.pass_on_percent == 40.0
    assert {person.role: person.turn for person in lab.people} == {"teacher": 1, "maintainer": 1, "caretaker": 2}


def test_one_old_name_in_the_place_of_another_is_only_unknown() -> None:
    """The hint stands where the old key stood, not wherever the word is met."""
    text = "lab: {name: a, time_zone: UTC}\nroom: {step: 2}\n"
    assert _told(text) == ["lab.yaml:2:8 room.step: unknown key; known here: name"]
