"""How long series were silent lately, as the journal keeps it: {rule: {series: [[hour, ms], ...]}} in JSON."""

import json
from collections.abc import Mapping, Sequence

from collector.alarms.kinds.habit import Gap
from collector.alarms.model import AlarmKey
from collector.store.vocabulary import MetaKey


def habits_of(meta: Mapping[str, str]) -> dict[AlarmKey, tuple[Gap, ...]]:
    """As `written` wrote them; none where none have been."""
    kept = json.loads(meta.get(MetaKey.HABITS, "{}"))
    return {
        AlarmKey(rule, int(number)): tuple(Gap(*gap) for gap in gaps)
        for rule, series in kept.items()
        for number, gaps in series.items()
    }


def written(habits: Mapping[AlarmKey, Sequence[Gap]]) -> str:
    by_rule: dict[str, dict[int, Sequence[Gap]]] = {}
    for key, gaps in habits.items():
        by_rule.setdefault(key.rule, {})[key.series] = gaps
    return json.dumps(by_rule)
