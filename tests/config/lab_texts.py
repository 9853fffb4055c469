"""Small lab files for the tests."""

import pytest

from collector.config.lab_file import read_lab
from collector.domain.problems import Refused

SMALL = """\
lab: {name: Worm lab, time_zone: UTC}
bins:
  juniper:
    trays:
      top:
      middle:
brewers:
  kettle:
planters:
  planter-1:
"""


def refusals(text: str) -> list[str]:
    with pytest.raises(Refused) as refused:
        read_lab(text)
    return [str(problem).partition(" ")[2] for problem in refused.value.problems]


def with_probe(probe: str, more: str = "") -> str:
    """The small lab with a probe 'one' written in flow style, and more probes below it."""
    return f"{SMALL}probes:\n  one: {probe}\n{more}"


def with_channel(channel: str, place: str = "juniper/top") -> str:
    return with_probe(f"{{place: {place}, topic: a, format: senml, channels: {{c: {channel}}}}}")


def added(before: str, after: str) -> str:
    """What was inserted, if all of `before` is still there around it."""
    start = 0
    while start < len(before) and before[start] == after[start]:
        start += 1
    for at in range(start, -1, -1):
        end = at + len(after) - len(before)
        if after[:at] + after[end:] == before:
            return after[at:end]
    raise AssertionError("something that was there has changed")
