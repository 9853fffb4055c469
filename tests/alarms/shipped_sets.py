"""The rule sets that ship, read once for the tests of their texts, their figures and what they tell."""

from pathlib import Path

from collector.alarms.model import Rule
from tests.alarms.bench_lab import MIN
from tests.worlds.rules import read_rules

FOLDER = Path(__file__).parents[2] / "rules"
FILES = ("red-wigglers.yaml", "tea-brew.yaml", "room.yaml", "probes.yaml", "collector.yaml")
TEXTS = {f"rules/{name}": (FOLDER / name).read_text(encoding="utf-8") for name in FILES}
RULES = {rule.name: rule for rule in read_rules(TEXTS)}
H = 60 * MIN


def of_file(name: str) -> dict[str, Rule]:
    return {rule.name: rule for rule in RULES.values() if rule.source.startswith(f"rules/{name}.yaml:")}


BEDDING, TEA, OWNS = of_file("red-wigglers"), of_file("tea-brew"), of_file("collector")
