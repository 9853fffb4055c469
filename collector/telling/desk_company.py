"""What stands with one cause is told together: a frost is one thing, not twelve trays times three rules.

A person who knows that the bedding of three trays freezes goes and looks at all of them. So the same trouble at a
further place waits for company, the longer the more places that person knows of, and never so long that it could not be
answered in its time; and what stands with one cause is called to mind at once, after the last word about any of it.
"""

from collections.abc import Iterable

from collector.alarms.model import Priority, Rule
from collector.telling.desk_case import Case
from collector.telling.desk_times import reminder_gap_ms, was_ahead
from collector.telling.notice import Fate, Notice, Reason

_SHARES = (0.0, 0.0, 0.25, 0.25, 0.5)
"""So much of its time to respond a further place waits at most, by at how many others that person knows of the same;
the last for all further ones (common practice, no source)."""


def cause_of(rule: Rule) -> str:
    """The same for alarms of one trouble: the first that it gives way to, else itself."""
    return rule.gives_way_to[0] if rule.gives_way_to else rule.name


def waits_until_ms(case: Case, cases: Iterable[Case], role: str, now_ms: int, ended: bool = False) -> int:
    """Until when news of `case` may wait for more of its cause before `role` hears of it: now where that person knows
    of few others, or will. `ended`: nothing is to be done, so it waits from now on, not from the last word."""
    if case.rule.priority is not Priority.HIGH:
        return now_ms
    others = [one for one in cases if is_called_to_mind(one) and _same_elsewhere(one, case) and role in one.roles()]
    heard_ms = max((_heard_ms(one, role, now_ms) for one in others), default=0)
    share = _SHARES[min(len({one.series.place for one in others}), len(_SHARES) - 1)]
    if not share:
        return now_ms
    since_ms = now_ms if ended else heard_ms
    return max(now_ms, since_ms + round(share * case.rule.time_to_respond_ms))


def _same_elsewhere(one: Case, case: Case) -> bool:
    return cause_of(one.rule) == cause_of(case.rule) and one.series.place != case.series.place


def reminders(cases: Iterable[tuple[Case, frozenset[str]]], now_ms: int) -> list[tuple[Case, str, int]]:
    """Who is next reminded of what and when, of those who were told: of all that stands with one cause at once.
    `cases`: what is called to mind, each with the roles that a worse alarm spares it."""
    high = list(cases)
    heard: dict[tuple[str, str], int] = {}
    for case, _ in high:
        for role in case.roles():
            key = role, cause_of(case.rule)
            heard[key] = max(heard.get(key, 0), _heard_ms(case, role, now_ms))
    first: dict[tuple[str, str, bool], int] = {}
    found = []
    for case, spared in high:
        for role in case.roles():
            if _told(case, role) and role not in spared and not case.waiting(role):
                group = role, cause_of(case.rule), case.unanswered
                at_ms = _reminded_ms(case, role, heard[group[:2]], now_ms)
                first[group] = min(first.get(group, at_ms), at_ms)
                found.append((case, group))
    return [(case, group[0], first[group]) for case, group in found]


def _reminded_ms(case: Case, role: str, heard_ms: int, now_ms: int) -> int:
    """When it would be by itself, after the last word about its cause."""
    since_ms = case.call.t_ms if case.acked_ms is None else case.acked_ms
    if was_ahead(since_ms, now_ms):
        since_ms = 0
    count = sum(one.key.why == Reason.REMINDER and one.key.t_ms > since_ms for one in _told(case, role))
    gap_ms = reminder_gap_ms(case.rule, case.acked_ms is not None, count)
    return max(since_ms if case.acked_ms is not None else 0, heard_ms) + gap_ms


def is_called_to_mind(case: Case) -> bool:
    """Whether it stands and is worth a second call."""
    return case.standing and case.rule.priority is Priority.HIGH


def _told(case: Case, role: str) -> list[Notice]:
    return [one for one in case.of(role) if one.fate is Fate.TOLD]


def _heard_ms(case: Case, role: str, now_ms: int) -> int:
    """When that person last heard of it; 0 where never, or by a clock that was ahead."""
    told_ms = (one.settled_ms or 0 for one in _told(case, role))
    return max((ms for ms in told_ms if not was_ahead(ms, now_ms)), default=0)
