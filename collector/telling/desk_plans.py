"""From the notices that are due to one person to the items of one message."""

import hashlib
from collections.abc import Iterable, Sequence

from collector.alarms.model import Priority
from collector.alarms.urgency import rank
from collector.domain.lab import Person
from collector.telling.desk_case import Case, ends
from collector.telling.desk_times import runs_out_ms, was_ahead
from collector.telling.message_plan import Item
from collector.telling.notice import Notice, Reason


def plan_key(person: Person, notices: Iterable[Notice]) -> str:
    """The same for the same notices of the same person, and for no others. Holds no address and no role."""
    keys = sorted(one.key.written() for one in notices)
    whole = hashlib.sha256("\0\0".join([person.role, *keys]).encode("utf-8", "surrogatepass"))
    return f"alarms-{whole.hexdigest()[:24]}"


def is_due(notice: Notice, now_ms: int) -> bool:
    """What was noted under a clock that was ahead is due now: its time would only come when that time does."""
    return notice.due_ms <= now_ms or was_ahead(notice.made_ms, now_ms)


def due_to_each(cases: Iterable[Case], now_ms: int) -> dict[str, list[tuple[Case, Notice]]]:
    """What each person is to hear now, by role. Whoever hears anything hears at once of all that is high and only
    waited for company."""
    waiting: dict[str, list[tuple[Case, Notice]]] = {}
    for case in cases:
        for one in case.unsaid():
            waiting.setdefault(one.key.role, []).append((case, one))
    called = {role for role, own in waiting.items() if any(is_due(one, now_ms) for _, one in own)}
    return {
        role: [(case, one) for case, one in waiting[role] if _is_high(case) or is_due(one, now_ms)]
        for role in waiting
        if role in called
    }


def _is_high(case: Case) -> bool:
    return case.rule.priority is Priority.HIGH


def items(person: Person, due: Sequence[tuple[Case, Notice]]) -> list[Item]:
    """An end goes with the last call that is told together with it: it came and went."""
    found = []
    for case in {id(case): case for case, _ in due}.values():
        own = sorted((one for at, one in due if at is case), key=lambda one: (ends(one.transition), one.key.t_ms))
        end = own[-1].transition if len(own) > 1 and ends(own[-1].transition) else None
        if end is not None:
            own.pop()
        thread = case.thread(person.role)
        for one in own:
            over = end if one is own[-1] else None
            found.append(
                Item(
                    transition=one.transition,
                    rule=case.rule,
                    series=case.series,
                    why=Reason(one.key.why),
                    ended=over,
                    thread=thread,
                )
            )
    return found


def worst_first(item: Item) -> tuple[bool, int, int, str, int]:
    """What stands before what is over, then by priority, then where the least time is left."""
    over = item.ended is not None or ends(item.transition)
    key = item.transition.key
    return over, rank(item.rule.priority), runs_out_ms(item.rule, item.transition), key.rule, key.series
