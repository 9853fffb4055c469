"""What people order: acknowledge, shelve, put back, take out of service. Each answers with the reason in words where
nothing can be done."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from collector.alarms.kinds.alarm import Alarm
from collector.alarms.model import STANDING, AlarmKey, State
from collector.alarms.places import fits
from collector.alarms.shelving import too_long
from collector.domain.lab import Lab
from collector.domain.problems import nearest


class Orders:
    """`places`: where each series is; series 0 is the link to the broker."""

    def __init__(self, alarms: Mapping[AlarmKey, Alarm], lab: Lab, places: Mapping[int, str], names: set[str]) -> None:
        self._alarms, self._lab, self._places, self._names = alarms, lab, places, names

    def acknowledge(self, rule: str, place: str, by: str, now_ms: int, raised_ms: int | None = None) -> str | None:
        """`raised_ms`: only the occurrence that was annunciated then."""
        return self._not_that(rule, place, raised_ms) or self._each(
            rule,
            place,
            lambda alarm: raised_ms in (None, alarm.raised) and alarm.waits_for_someone,
            lambda alarm: alarm.acknowledge(now_ms, by),
            (State.ACKNOWLEDGED, "is acknowledged already"),
            "there is nothing to acknowledge",
        )

    def _not_that(self, rule: str, place: str, raised_ms: int | None) -> str | None:
        """Why an occurrence cannot be acknowledged any more; None where it can, or where none was named."""
        here = [a for k, a in self._alarms.items() if k.rule == rule and self._places[k.series] == place]
        waiting = [alarm for alarm in here if alarm.state is not State.NORMAL]
        if raised_ms is None or not here or any(alarm.raised == raised_ms for alarm in waiting):
            return None
        others = [alarm.raised for alarm in waiting if alarm.state in STANDING and alarm.raised is not None]
        if not others:
            return "not done: that alarm is over"
        utc = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=max(others))
        since = utc.astimezone(ZoneInfo(self._lab.time_zone))
        return f"not done: another occurrence stands since {since:%Y-%m-%d %H:%M}"

    def shelve(self, rule: str, place: str, until_ms: int, reason: str, by: str, now_ms: int) -> str | None:
        """Nobody is told of it until then."""
        if until_ms <= now_ms:
            return "the end of the shelving is not in the future"
        problem = too_long(until_ms - now_ms)
        if problem is not None:
            return problem
        if not reason.strip():
            return "shelving needs a reason"
        return self._each(
            rule,
            place,
            lambda alarm: alarm.state is not State.OUT_OF_SERVICE,
            lambda alarm: alarm.shelve(now_ms, until_ms, reason, by),
            None,
            "there is nothing to shelve",
        )

    def unshelve(self, rule: str, place: str, by: str, now_ms: int) -> str | None:
        """People are told of it again."""
        return self._each(
            rule,
            place,
            lambda alarm: alarm.shelved_until is not None,
            lambda alarm: alarm.unshelve(now_ms, by),
            None,
            "it is not shelved",
        )

    def set_service(
        self, target: str, in_service: bool, by: str, now_ms: int, probes: Mapping[str, set[int]], reason: str = ""
    ) -> str | None:
        """`probes`: the series of each probe, its alarm as a whole among them."""
        if target in probes:
            here = [alarm for key, alarm in self._alarms.items() if key.series in probes[target]]
        elif target in self._lab.by_id:
            here = [a for k, a in self._alarms.items() if _within(self._places.get(k.series, ""), target)]
        else:
            known = [*self._lab.by_id, *probes]
            return f"no place or probe is called '{target}'{_guess(target, known)}"
        changing = [alarm for alarm in here if bool(alarm.out_by) is in_service]
        if not changing:
            return _unchanged(target, here, in_service)
        for alarm in changing:
            alarm.set_service(now_ms, "" if in_service else by, by, reason)
        return None

    def _each(
        self,
        rule: str,
        place: str,
        can: Callable[[Alarm], bool],
        act: Callable[[Alarm], None],
        already: tuple[State, str] | None,
        nothing: str,
    ) -> str | None:
        """Act on every alarm of the rule at the place that can be acted on."""
        if rule not in self._names:
            return f"no alarm is called '{rule}'{_guess(rule, self._names)}"
        here = [a for k, a in self._alarms.items() if k.rule == rule and self._places[k.series] == place]
        if not here:
            return self._not_here(rule, place)
        able = [alarm for alarm in here if can(alarm)]
        for alarm in able:
            act(alarm)
        if able:
            return None
        if already is not None and any(alarm.state is already[0] for alarm in here):
            return f"'{rule}' at {place} {already[1]}"
        return f"'{rule}' at {place} is {here[0].state}; {nothing}"

    def _not_here(self, rule: str, place: str) -> str:
        places = sorted({self._places[key.series] for key in self._alarms if key.rule == rule})
        if not places:
            return f"'{rule}' holds nowhere in this lab"
        if place in self._lab.by_id:
            return f"'{rule}' does not hold at '{place}'; it holds at {', '.join(places)}"
        return f"no place is called '{place}'{_guess(place, places)}; '{rule}' holds at {', '.join(places)}"


def _unchanged(target: str, here: Sequence[Alarm], in_service: bool) -> str:
    if not here:
        return f"{target} has no alarm"
    if in_service and all(alarm.state is State.OUT_OF_SERVICE for alarm in here):
        return (
            f"{target} itself is in service; its tray is out of service by the diary: traywarden diary add in-service"
        )
    return f"{target} is {'in' if in_service else 'out of'} service already"


def _within(place: str, target: str) -> bool:
    """A place itself, and the trays of a bin."""
    return place == target or fits(f"{target}/*", place)


def _guess(word: str, known: Iterable[str]) -> str:
    guess = nearest(word, known)
    return f"; did you mean '{guess}'?" if guess else ""
