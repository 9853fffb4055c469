"""The desk decides who hears what when: from changes of alarms to notices for people, from notices to plans.

    take(change, rule, series, now)   a change of an alarm; becomes a notice for each person it concerns
    release(now, gathering)           what is due now, as one plan a person at most
    changed()                         the notices that are new or settled, to be stored with the change

Pure: `now_ms` is an argument. All that is remembered follows from the notices and alarm states of the journal, so a
desk that is built anew (`restore`) goes on as the old one would have.
"""

from collections.abc import Iterable, Mapping, Sequence

from collector.alarms.model import STANDING, AlarmKey, AlarmState, Event, Priority, Rule, Transition
from collector.alarms.urgency import LONGEST_WAY_MS, gives_way
from collector.domain.lab import Lab, Person, Series
from collector.telling.desk_case import Case, OccurrenceKey, call_of, ends, is_told, occurrence_of
from collector.telling.desk_company import cause_of, is_called_to_mind, reminders, waits_until_ms
from collector.telling.desk_inside import Inside
from collector.telling.desk_people import concerned, first_turn, later_turns
from collector.telling.desk_plans import due_to_each, items, plan_key, worst_first
from collector.telling.desk_times import (
    HOUR_MS,
    MINUTE_MS,
    due_ms,
    free_ms,
    turn_ms,
    was_ahead,
)
from collector.telling.message_plan import MessagePlan
from collector.telling.notice import Fate, Notice, NoticeKey, Reason

REMEMBER_MS = LONGEST_WAY_MS
"""Notices settled within this time are needed at a start: they space the next messages, and what ended lately still
speaks for others."""
_OLD_MS = 5 * MINUTE_MS
"""A change seen so long after it happened was missed while it happened."""
_LOOK_MS = MINUTE_MS
"""The desk looks at everything at least so often, whatever it expects."""
_LEFT = (Fate.WAITING, Fate.DIGEST)


class Desk:
    """Of one lab. `people`: those of the lab file, and whoever else is to be told."""

    def __init__(self, lab: Lab, people: Sequence[Person]) -> None:
        self._lab = lab
        self._people = {one.role: one for one in people}
        self._cases: dict[OccurrenceKey, Case] = {}
        self._sent: dict[str, dict[str, int]] = {role: {} for role in self._people}
        self._inside = Inside(lab, people)
        self._changed: dict[NoticeKey, Notice] = {}
        self._gathered: set[NoticeKey] = set()
        self._gathering = True
        self._look_ms: int | None = None
        self._looked_ms = 0

    # What happens

    def take(self, change: Transition, rule: Rule, series: Series, now_ms: int) -> None:
        """A change of an alarm, in the order they happen, also one that nobody hears of."""
        self._look_ms = None
        occurrence = occurrence_of(change)
        if change.annunciates and occurrence not in self._cases:
            self._show(change.key)
            self._cases[occurrence] = Case(rule=rule, series=series, call=change, later=self._later(rule, series))
        case = self._cases.get(occurrence)
        if case is None:
            return
        ended = case.ends_hidden(change) or ends(change)
        case.follow(change)
        if not case.unanswered:
            self._settle_all(case.needless(), Fate.DROPPED, now_ms)
        if change.annunciates:
            self._call(case, now_ms)
            self._hush_others(case, now_ms)
        elif ended:
            case.hidden = False
            self._end(case, change, now_ms)
            if case.roles():  # else no journal could tell of it after a start
                self._inside.is_over(case.rule, series.place, change.t_ms)
        elif is_told(change):
            self._latched(case, change, now_ms)
        elif change.before in STANDING and not case.standing and change.event is not Event.RESET:
            self._settle_all(case.unsaid(), Fate.DROPPED, now_ms)  # by order or by design nobody is called
        self._forget(case)

    def _show(self, key: AlarmKey) -> None:
        """The alarm calls anew: no end of what was suppressed before is to come."""
        for case in [one for one in self._cases.values() if one.hidden and one.call.key == key]:
            case.hidden = False
            self._forget(case)

    def digested(self, role: str, message: str, now_ms: int) -> None:
        """The digest `message` has gone to that person: what was left for it is told."""
        for case in list(self._cases.values()):
            left = [one for one in case.of(role) if one.fate is Fate.DIGEST]
            for notice in left:
                self._keep(case, notice.settled(Fate.TOLD, now_ms, message))
            self._forget(case)
        self.sent(role, message, now_ms)

    def sent(self, role: str, message: str, now_ms: int) -> None:
        """That person was sent some other message."""
        self._look_ms = None
        self._sent.setdefault(role, {})[message] = now_ms

    def follow(self, rules: Mapping[str, Rule]) -> None:
        """Other rules hold; the ends of those that are gone are still told by what they said."""
        self._look_ms = None
        for case in self._cases.values():
            case.rule = rules.get(case.rule.name, case.rule)
            case.later = self._later(case.rule, case.series)

    def changed(self) -> dict[NoticeKey, Notice]:
        """Notices that are new or settled since the last call."""
        changed, self._changed = self._changed, {}
        return changed

    # After a start

    def restore(
        self,
        notices: Iterable[Notice],
        states: Mapping[AlarmKey, AlarmState],
        rules: Mapping[str, Rule],
        series: Mapping[int, Series],
        now_ms: int,
    ) -> None:
        """Be as the desk was that made these. What is left for people, rules or series that are gone is dropped, and an
        alarm that stands and that nobody who is left has heard of calls anew."""
        found: dict[OccurrenceKey, list[Notice]] = {}
        for notice in notices:
            found.setdefault(occurrence_of(notice.transition), []).append(notice)
            if (rule := rules.get(notice.key.rule)) is not None:
                self._inside.was_told(notice.transition, rule, notice.place)
            if notice.fate is Fate.TOLD and notice.settled_ms is not None:
                self._sent.setdefault(notice.key.role, {})[notice.message] = notice.settled_ms
        for (key, _), own in found.items():
            rule, where = rules.get(key.rule), series.get(key.series)
            if rule is None or where is None:
                gone = (one.settled(Fate.DROPPED, now_ms) for one in own if one.fate in _LEFT)
                self._changed.update({one.key: one for one in gone})
            else:
                self._restore_case(own, rule, where, states.get(key), now_ms)

    def _restore_case(
        self, own: list[Notice], rule: Rule, series: Series, state: AlarmState | None, now_ms: int
    ) -> None:
        kept = {one.key: one for one in own}
        case = Case(
            rule=rule,
            series=series,
            call=call_of(own) or own[-1].transition,
            later=self._later(rule, series),
            notices=kept,
        )
        case.stands(state)
        self._cases[case.occurrence] = case
        self._settle_all([one for one in own if not self._will_hear(one)], Fate.DROPPED, now_ms)
        if case.standing and not any(role in self._people for role in (*case.roles(), *case.inside())):
            self._call(case, now_ms)
        self._forget(case)

    def _will_hear(self, notice: Notice) -> bool:
        """Whether there is still somebody to tell, where it is not told yet."""
        person = self._people.get(notice.key.role)
        return notice.fate not in _LEFT or (person is not None and (notice.fate is Fate.WAITING or person.digest))

    # From changes to notices

    def _call(self, case: Case, now_ms: int) -> None:
        """People of the first turn, at once or when they wake. What is low is left for the digest."""
        people = concerned(self._people.values(), case.rule, case.series.place, self._lab)
        spared = self._spared(case, now_ms)
        for one in people if case.rule.priority is Priority.LOW else first_turn(people):
            if one.role in spared:
                self._spare(case, one.role, now_ms)
            else:
                self._news(case, one.role, case.call.t_ms, now_ms)

    def _news(self, case: Case, role: str, t_ms: int, now_ms: int) -> None:
        self._add(case, role, case.call, Reason.NEWS, t_ms, self._due(case, role, now_ms), now_ms)

    def _due(self, case: Case, role: str, now_ms: int) -> int:
        """When somebody is to hear of its call: in time, and with what else stands of the same cause."""
        when_ms = due_ms(case.rule, self._lab.telling, case.call, now_ms)
        return max(when_ms, waits_until_ms(case, self._cases.values(), role, now_ms))

    # What a worse alarm speaks for

    def _spared(self, case: Case, now_ms: int) -> frozenset[str]:
        return self._inside.spared(case, self._cases.values(), now_ms)

    def _spare(self, case: Case, role: str, now_ms: int) -> None:
        self._add(case, role, case.call, Reason.INSIDE, case.call.t_ms, now_ms, now_ms, Fate.DROPPED)

    def _hush_others(self, worse: Case, now_ms: int) -> None:
        """What it speaks for from now on, and what of that still waits to be told, is not told by itself."""
        for case in [other for other in self._cases.values() if gives_way(other.rule, worse.rule) and other.standing]:
            for role in self._spared(case, now_ms):
                waiting = case.waiting(role)
                self._settle_all(waiting, Fate.DROPPED, now_ms)
                if any(one.key.why == Reason.NEWS for one in waiting):
                    self._spare(case, role, now_ms)

    def _speak_up(self, case: Case, now_ms: int) -> None:
        """It outlasts what spoke for it, and nobody has said that they see to it."""
        if case.unanswered and (inside := case.inside()):
            spared = self._spared(case, now_ms)
            for role in inside:
                if role not in spared:
                    self._news(case, role, now_ms, now_ms)

    def _latched(self, case: Case, change: Transition, now_ms: int) -> None:
        """The condition has gone and the alarm stays: news for all who know of it."""
        when_ms = due_ms(case.rule, self._lab.telling, change, now_ms)
        for role in case.roles():
            self._add(case, role, change, Reason.NEWS, change.t_ms, when_ms, now_ms)

    def _end(self, case: Case, change: Transition, now_ms: int) -> None:
        """For those who were told that it began, or will be: then as one, that it came and went. What would only have
        come in the morning is left for the digest, and so is what a worse alarm spoke for."""
        later_ms = due_ms(case.rule, self._lab.telling, change, now_ms, ended=True)
        spared = self._spared(case, now_ms)
        for role in case.roles():
            fates, waiting = {one.fate for one in case.of(role)}, case.waiting(role)
            if role in spared:
                self._settle_all(waiting, Fate.DROPPED, now_ms)
                self._add(case, role, change, Reason.NEWS, change.t_ms, now_ms, now_ms, Fate.DIGEST)
                continue
            in_the_morning = waiting and Fate.TOLD not in fates and all(one.due_ms > now_ms for one in waiting)
            if in_the_morning and role in self._people and self._people[role].digest:
                self._settle_all(waiting, Fate.DIGEST, now_ms)
                self._add(case, role, change, Reason.NEWS, change.t_ms, now_ms, now_ms, Fate.DIGEST)
            elif waiting or Fate.TOLD in fates:
                with_others_ms = waits_until_ms(case, self._cases.values(), role, now_ms, ended=True)
                when_ms = min((one.due_ms for one in waiting), default=max(later_ms, with_others_ms))
                self._add(case, role, change, Reason.NEWS, change.t_ms, when_ms, now_ms)
            else:
                self._add(case, role, change, Reason.NEWS, change.t_ms, now_ms, now_ms, Fate.DIGEST)

    def _add(
        self,
        case: Case,
        role: str,
        change: Transition,
        why: Reason,
        t_ms: int,
        when_ms: int,
        now_ms: int,
        fate: Fate = Fate.WAITING,
    ) -> None:
        """A notice, unless there is one for the same already."""
        key = NoticeKey(
            role=role,
            rule=change.key.rule,
            series=change.key.series,
            occurrence_ms=case.occurrence[1],
            event=change.event,
            why=why,
            t_ms=t_ms,
        )
        person = self._people.get(role)
        if key in case.notices or person is None:
            return
        if case.rule.priority is Priority.LOW and why is not Reason.INSIDE:
            fate = Fate.DIGEST if person.digest else Fate.DROPPED
        notice = Notice(
            key=key,
            transition=change,
            place=case.series.place,
            priority=case.rule.priority,
            made_ms=now_ms,
            due_ms=when_ms,
        )
        self._keep(case, notice if fate is Fate.WAITING else notice.settled(fate, now_ms))
        if self._gathering:
            self._gathered.add(key)

    def _keep(self, case: Case, notice: Notice) -> None:
        case.notices[notice.key] = self._changed[notice.key] = notice

    def _settle_all(self, notices: Iterable[Notice], fate: Fate, now_ms: int) -> None:
        for notice in list(notices):
            self._keep(self._cases[occurrence_of(notice.transition)], notice.settled(fate, now_ms))

    def _forget(self, case: Case) -> None:
        if case.over and not any(one.fate is Fate.DIGEST for one in case.notices.values()):
            self._gathered.difference_update(case.notices)
            self._cases.pop(case.occurrence, None)

    # From notices to plans

    def release(self, now_ms: int, gathering: bool = False) -> list[MessagePlan]:
        """What is to be told now. `gathering`: a backlog is coming in, and what it tells is told together."""
        self._gathering = gathering
        if gathering or (self._look_ms is not None and self._looked_ms <= now_ms < self._look_ms):
            return []
        for case in self._cases.values():
            self._speak_up(case, now_ms)
        self._pass_on(now_ms)
        later = self._remind(now_ms)
        due = due_to_each(self._cases.values(), now_ms)
        made = [self._plan(self._people[role], own, now_ms) for role, own in due.items()]
        for case in list(self._cases.values()):
            self._forget(case)
        self._looked_ms, self._look_ms = now_ms, min([self._next_ms(now_ms), *later])
        return [plan for plan in made if plan is not None]

    def _pass_on(self, now_ms: int) -> None:
        """Who is called to one thing hears of all that is high, unanswered and of its cause."""
        turns = [(case, *one) for case in self._cases.values() for one in self._turns(case, now_ms)]
        own = [at_ms <= now_ms or was_ahead(case.call.t_ms, now_ms) for case, _, at_ms in turns]
        called = {(one.role, cause_of(case.rule)) for (case, one, _), due in zip(turns, own, strict=True) if due}
        for (case, person, at_ms), due in zip(turns, own, strict=True):
            if due or (is_called_to_mind(case) and (person.role, cause_of(case.rule)) in called):
                when_ms = self._due(case, person.role, now_ms)
                self._add(case, person.role, case.call, Reason.PASSED_ON, at_ms, when_ms, now_ms)

    def _turns(self, case: Case, now_ms: int) -> list[tuple[Person, int]]:
        """Whom nobody has called yet, and when they will be if nobody acknowledges."""
        if not case.later or not case.unanswered or case.rule.priority is Priority.LOW:
            return []
        called = {one.key.role for one in case.notices.values() if one.key.t_ms >= case.call.t_ms}
        called |= self._spared(case, now_ms)
        return [
            (one, turn_ms(case.rule, self._lab.telling, case.call, one.turn))
            for one in case.later
            if one.role not in called
        ]

    def _later(self, rule: Rule, series: Series) -> Sequence[Person]:
        return later_turns(concerned(self._people.values(), rule, series.place, self._lab))

    def _remind(self, now_ms: int) -> list[int]:
        """What is due; the times of what is still to come."""
        high = (case for case in self._cases.values() if is_called_to_mind(case))
        later = []
        for case, role, at_ms in reminders([(case, self._spared(case, now_ms)) for case in high], now_ms):
            if at_ms > now_ms:
                later.append(at_ms)
            elif role in self._people:
                self._add(case, role, case.call, Reason.REMINDER, at_ms, now_ms, now_ms)
        return later

    def _plan(self, person: Person, due: Sequence[tuple[Case, Notice]], now_ms: int) -> MessagePlan | None:
        """All that is due to one person, as far as the space between messages allows one now."""
        sent = self._sent.setdefault(person.role, {})
        for message in [key for key, ms in sent.items() if ms <= now_ms - HOUR_MS]:
            del sent[message]
        may_ms = free_ms(list(sent.values()), now_ms)
        if may_ms > now_ms:
            return None
        key = plan_key(person, [one for _, one in due])
        found = sorted(items(person, due), key=worst_first)
        first = self._cases[occurrence_of(found[0].transition)]
        plan = MessagePlan(
            key=key,
            person=person,
            items=tuple(found),
            others=tuple(role for role in first.roles() if role != person.role),
            held=len({case.occurrence for case, one in due if max(one.due_ms, one.made_ms) < may_ms}) if sent else 0,
            catching_up=self._missed([one for _, one in due]),
        )
        for case, one in due:
            self._keep(case, one.settled(Fate.TOLD, now_ms, key))
        sent[key] = now_ms
        return plan

    def _missed(self, due: Sequence[Notice]) -> bool:
        """Whether they came together after the collector had been away."""
        news = [one for one in due if one.key.why == Reason.NEWS]
        old = any(one.made_ms - one.transition.t_ms > _OLD_MS for one in news)
        return old or (len(news) > 1 and any(one.key in self._gathered for one in news))

    def _next_ms(self, now_ms: int) -> int:
        """When there may be something to do, if nothing happens before."""
        times = [now_ms + _LOOK_MS]
        may_ms = {role: free_ms(list(sent.values()), now_ms) for role, sent in self._sent.items()}
        for case in self._cases.values():
            times += [at_ms for _, at_ms in self._turns(case, now_ms)]
            times += [max(one.due_ms, may_ms[one.key.role]) for one in case.unsaid()]
        return min(times)
