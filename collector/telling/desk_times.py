"""When somebody is told: waking hours against the time to respond, turns, reminders, and the space between two messages
to one person. All times in ms UTC."""

from collections.abc import Sequence

from collector.alarms.model import Priority, Rule, Transition
from collector.domain.lab import Telling

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
GAPS_MS = tuple(minutes * MINUTE_MS for minutes in (0, 1, 3, 6, 10))
"""So long after the last message the next may go, by how many went within the hour; the last for all further ones.

Nine messages span gaps of 1 + 3 + 6 + 5 * 10 = 60 minutes at least: so no hour has more than eight, and in the long run
it is six. What is urgent waits ten minutes at most.
"""
_LONGEST_REMINDER_MS = 24 * HOUR_MS
_AHEAD_MS = 10 * MINUTE_MS


def was_ahead(t_ms: int, now_ms: int) -> bool:
    """Whether a moment was noted while the clock was wrong: it lies further ahead than clocks are ever put right by."""
    return t_ms > now_ms + _AHEAD_MS


def due_ms(rule: Rule, telling: Telling, change: Transition, now_ms: int, ended: bool = False) -> int:
    """When people may be told of a change that is seen at `now_ms`.

    High: now. Medium: now in waking hours, else when they next begin; but now where the time to respond would run out
    before that and the rule does not wait for morning, or where nobody ever wakes. `ended`: nothing needs a response
    any more.
    """
    if rule.priority is not Priority.MEDIUM or telling.waking.holds(now_ms):
        return now_ms
    waking_ms = telling.waking.next_change_ms(now_ms)
    waits = ended or rule.waits_for_morning
    if waking_ms is None or (not waits and runs_out_ms(rule, change) <= waking_ms):
        return now_ms
    return waking_ms


def runs_out_ms(rule: Rule, change: Transition) -> int:
    """When the time to respond is over."""
    return (change.since_ms if change.since_ms is not None else change.t_ms) + rule.time_to_respond_ms


def turn_ms(rule: Rule, telling: Telling, call: Transition, turn: int) -> int:
    """When people of a turn hear of an alarm that nobody has acknowledged since it called. What waits for the morning
    is passed on after a share of what is left then: before, nobody could have answered."""
    told_ms = due_ms(rule, telling, call, call.t_ms)
    left_ms = runs_out_ms(rule, call) - told_ms if told_ms > call.t_ms else 0
    share = (turn - 1) * telling.pass_on_percent / 100
    return told_ms + round(share * (left_ms if left_ms > 0 else rule.time_to_respond_ms))


def reminder_gap_ms(rule: Rule, acknowledged: bool, count: int) -> int:
    """How long after the last word the next reminder of a standing alarm comes, `count` having come before.

    The figures are common practice, no source."""
    respond_ms = rule.time_to_respond_ms
    first_ms = max(4 * HOUR_MS, respond_ms) if acknowledged else max(30 * MINUTE_MS, respond_ms // 2)
    return min(first_ms << min(count, 10), _LONGEST_REMINDER_MS)


def free_ms(sent_ms: Sequence[int], now_ms: int) -> int:
    """From when on a person may have another message. `sent_ms`: when the last ones went, in any order."""
    lately = [ms for ms in sent_ms if now_ms - HOUR_MS < ms <= now_ms]
    if not lately:
        return now_ms
    return max(lately) + GAPS_MS[min(len(lately), len(GAPS_MS) - 1)]
