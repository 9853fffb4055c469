"""Rule files: YAML text to rules, with everything wrong in all of them said at once.

    alarms:
      bedding-dry:                        # a name of small letters, digits and '-'
        kind: low                         # high, low, deviation, rate, forecast, silent, suspect, ...
        measure: bedding_moisture
        where: [juniper/top, maple/*]     # left out: everywhere the measure is found
        setpoint: 60 %
        ...

What pydantic can see alone (keys, texts, names of a list) is in `collector.config.rules.fields`; what depends on the
kind and the measure (quantities, places, keys that mean nothing here) is in `_Reading`. Both run whatever the other
finds.
"""

import re
from dataclasses import dataclass, replace
from typing import Any

from collector.alarms.contexts import Condition, parse_condition
from collector.alarms.kinds.setpoint import VALUE, Setpoint, possible
from collector.alarms.kinds.table import KINDS
from collector.alarms.model import SQUEEZE_TEST, Band, Kind, Priority, Rule, Weekly
from collector.alarms.places import BROKER, is_pattern
from collector.alarms.urgency import LONGEST_WAY_MS
from collector.config.rules.fields import SAID, WANTED, AlarmFields, RuleFile, foreign
from collector.config.yaml.text import KeyPath, Marked, check
from collector.domain.diary import Feel
from collector.domain.hours import DAYS
from collector.domain.problems import Problem, Refused, nearest
from collector.domain.said_quantities import slips_in
from collector.domain.units import MEASURES, parse_duration_ms, show_duration

_MOMENT = re.compile(r"([a-z]+) ([01][0-9]|2[0-3]):([0-5][0-9])")
_DAYS = {name: day for day, name in enumerate(DAYS)} | {
    name: day for day, name in enumerate(("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"))
}


@dataclass(frozen=True, slots=True)
class Slip:
    """Something wrong with an alarm of a rule file."""

    problem: Problem
    because: tuple[str, ...] = ()
    """Other fields of the alarm that it follows from, the likeliest first."""
    to_remove: bool = False
    """Whether the field has no business there."""

    @property
    def told(self) -> Problem:
        """As people are told of it."""
        problem = self.problem
        return replace(problem, message=f"{problem.message}; remove it") if self.to_remove else problem


def read_alarms(marked: Marked) -> tuple[list[Rule], list[Slip]]:
    """The rules of one set of alarms, those switched off among them, and all that is wrong, nothing twice."""
    slips: dict[Problem, Slip] = {}
    try:
        check(marked, RuleFile)
    except Refused as refused:
        slips = {problem: Slip(problem) for problem in refused.problems}
    readings = [_Reading(marked, name, fields) for name, fields in _alarms(marked).items() if isinstance(fields, dict)]
    rules = [reading.rule() for reading in readings]
    slips |= {slip.told: slip for reading in readings for slip in reading.slips}
    return [rule for rule in rules if rule is not None], list(slips.values())


def _alarms(marked: Marked) -> dict[str, Any]:
    alarms = marked.data.get("alarms") if isinstance(marked.data, dict) else None
    return alarms if isinstance(alarms, dict) else {}


def _source(marked: Marked, name: str) -> str:
    return f"{marked.file}:{marked.keys['alarms', name].line}"


class _Reading:
    """One alarm's fields on their way to a Rule; what is wrong gathers in `slips`."""

    def __init__(self, marked: Marked, name: str, fields: dict[str, Any]) -> None:
        self.marked, self.name, self.fields = marked, name, fields
        self.slips: list[Slip] = []
        kind = fields.get("kind")
        self.kind = KINDS[Kind(kind)] if kind in list(Kind) else None
        measure = fields.get("measure")
        self.measure = MEASURES.get(measure) if isinstance(measure, str) else None

    def _at_most(self, setpoint: float | None) -> int:
        found = self._some_time("at_most")
        if setpoint is not None and 0 < found < setpoint and self.kind is not None and "at_most" in self.kind.takes:
            self._wrong("at_most", "is shorter than the setpoint, which it is to let grow", "setpoint")
        return found

    def rule(self) -> Rule | None:
        """The rule, or None where something is wrong, here or in what pydantic checks."""
        self._fits_kind()
        measure, where, setpoint = self._measure(), self._where(), self._setpoint()
        deadband = self._deadband()
        on_delay, off_delay = self._duration("on_delay", 0), self._duration("off_delay", 0)
        respond = self._duration("time_to_respond", None)
        if respond == 0:
            self._wrong("time_to_respond", "is zero; an alarm nobody has time to act on is not an alarm")
        window, re_alarm = self._some_time("window"), self._some_time("re_alarm")
        horizon, by = self._horizon()
        at_most = self._at_most(setpoint)
        against, counts, bands = self._read_word("against"), self._read_word("counts"), self._bands()
        beyond = self._value("beyond") if self._has("beyond") else None
        only_while, not_while = self._conditions("only_while"), self._conditions("not_while")
        gives_way_to, gives_way_for = self._gives_way()
        if self.fields.get("waits_for_morning") is True and self.fields.get("priority") != Priority.MEDIUM:
            why = "high is told at once, low in the digest"
            self._wrong("waits_for_morning", f"goes with priority medium only; {why}", "priority", to_remove=True)
        self._compare(where, setpoint, off_delay)
        self._texts()
        try:
            said = AlarmFields.model_validate(self.fields)
        except ValueError:
            return None  # `check` has said what is wrong
        if self.slips or setpoint is None or on_delay is None or off_delay is None or respond is None:
            return None
        return Rule(
            name=self.name,
            kind=said.kind,
            measure=measure,
            where=where,
            setpoint=setpoint,
            deadband=deadband,
            on_delay_ms=on_delay,
            off_delay_ms=off_delay,
            priority=said.priority,
            consequence=said.consequence,
            corrective_action=said.corrective_action,
            time_to_respond_ms=respond,
            basis=said.basis,
            source=_source(self.marked, self.name),
            only_while=only_while,
            not_while=not_while,
            latching=said.latching,
            re_alarm_ms=re_alarm or None,
            against=against,
            counts=counts,
            window_ms=window,
            horizon_ms=horizon,
            by=by,
            toward=said.toward or "",
            what="" if said.what is None else said.what.value,
            bands=bands,
            beyond=beyond,
            at_most_ms=at_most,
            waits_for_morning=said.waits_for_morning,
            gives_way_to=gives_way_to,
            gives_way_for_ms=gives_way_for,
        )

    def _wrong(
        self,
        field: str,
        message: str,
        *because: str,
        at_key: bool = False,
        item: int | str | None = None,
        to_remove: bool = False,
    ) -> None:
        """`because`: other fields that it follows from; `item`: what of the field; `to_remove`: it has no business
        here."""
        path: KeyPath = ("alarms", self.name, field) if item is None else ("alarms", self.name, field, item)
        problem = self.marked.problem(path, message, at_key=at_key or to_remove)
        self.slips.append(Slip(problem, because, to_remove))

    def _fits_kind(self) -> None:
        """Fields that the kind needs or knows nothing of."""
        if self.kind is None:
            return
        kind = self.kind.kind
        for field in foreign(kind):
            if field in self.fields:
                self._wrong(field, f"means nothing for kind {kind}", "kind", to_remove=True)
        for field in self.kind.needs:
            if field not in self.fields:
                self._wrong(field, f"missing; kind {kind} needs to know {WANTED[field]}", "kind", at_key=True)

    def _has(self, field: str) -> bool:
        """Whether the field stands there and means something for the kind."""
        return field in self.fields and (self.kind is None or field not in foreign(self.kind.kind))

    def _measure(self) -> str:
        measure: object = self.fields.get("measure", "")
        if not isinstance(measure, str):
            return ""
        if "measure" in self.fields and measure not in MEASURES:
            guess = nearest(measure, MEASURES)
            right = f"did you mean '{guess}'?" if guess else f"use one of {', '.join(MEASURES)}"
            self._wrong("measure", f"'{measure}' is not a measure; {right}")
            return ""
        if self.measure is not None and self.kind is not None and self._switched:
            self._wrong("measure", f"{self.measure.label} is on or off; kind {self.kind.kind} needs a quantity", "kind")
        return measure

    @property
    def _switch(self) -> bool:
        return self.measure is not None and self.measure.dimension == "switch"

    @property
    def _switched(self) -> bool:
        """On or off, where the kind needs a quantity."""
        return self._switch and self.kind is not None and self.kind.quantity_only

    def _where(self) -> tuple[str, ...]:
        patterns = _texts_of(self.fields.get("where", []))
        if "where" in self.fields and self.fields["where"] == []:
            self._wrong("where", "names no place; leave the key out to mean everywhere the measure is found")
        for pattern in patterns:
            if not is_pattern(pattern):
                self._wrong("where", f"'{pattern}' is not a place; write it like 'juniper/top', 'juniper/*' or 'room'")
        return tuple(patterns)

    def _gives_way(self) -> tuple[tuple[str, ...], int]:
        """To which alarms, and for how long after their end, ms."""
        names = tuple(_texts_of(self.fields.get("gives_way_to", [])))
        if self.name in names:
            self._wrong("gives_way_to", "names the alarm itself; it would never be told")
        after_ms = self._some_time("gives_way_for")
        if after_ms > LONGEST_WAY_MS:
            self._wrong("gives_way_for", f"is more than {show_duration(LONGEST_WAY_MS)}, the longest")
        if after_ms and not names:
            self._wrong("gives_way_for", "means nothing without gives_way_to", "gives_way_to", to_remove=True)
        return names, after_ms

    def _texts(self) -> None:
        """The quantities within what is said to people."""
        for field in SAID:
            text = self.fields.get(field)
            for slip in slips_in(text) if isinstance(text, str) else ():
                self._wrong(field, slip)

    # Quantities

    def _setpoint(self) -> float | None:
        if "setpoint" not in self.fields:
            asks = VALUE.asks if self.kind is None else self.kind.setpoint.asks
            self._wrong("setpoint", f"missing; give {asks}", at_key=True)
            return None
        value = self._value("setpoint")
        if value is not None and self.kind is not None:
            problem = self.kind.setpoint.problem(value, self.fields["setpoint"])
            if problem:
                self._wrong("setpoint", problem, "measure", "kind")
        return value

    def _deadband(self) -> float:
        on_or_off = self._switch and (self.kind is None or self.kind.setpoint.of_measure)
        if not self._has("deadband"):
            return -0.5 if on_or_off else 0.0  # nothing lies beyond on: half way back is cleared
        if self.measure is not None and on_or_off:
            message = f"means nothing for {self.measure.label}, on or off"
            self._wrong("deadband", message, "measure", "kind", to_remove=True)
            return 0.0
        deadband = self._value("deadband")
        if deadband is not None and deadband < 0:
            self._wrong("deadband", f"'{self.fields['deadband']}' is negative; a deadband is 0 or more")
        return deadband or 0.0

    def _value(self, field: str) -> float | None:
        """A quantity of what the alarm compares; None, and silence, where kind or measure are wrong themselves."""
        if self.kind is None or self._switched:
            return None
        try:
            return self._quantity(self.kind.setpoint, field, self.fields[field])
        except ValueError as error:
            self._wrong(field, str(error), *(("measure",) if self.kind.setpoint.of_measure else ()), "kind")
            return None

    def _quantity(self, compared: Setpoint, field: str, text: object) -> float | None:
        if compared.plain is not None:
            return compared.plain(text)
        if self.measure is None:
            return None
        if field == "beyond":
            return possible(text, self.measure)
        return (compared.parse_deadband if field == "deadband" else compared.parse)(text, self.measure)

    def _duration(self, field: str, default: int | None) -> int | None:
        if not self._has(field):
            return default
        try:
            return parse_duration_ms(self.fields[field])
        except ValueError as error:
            self._wrong(field, str(error))
            return None

    def _some_time(self, field: str) -> int:
        """A duration that cannot be zero; 0 where it is not there."""
        found = self._duration(field, None)
        if found == 0:
            self._wrong(field, "is zero; give a time, like '6 h', or leave the key out")
        return found or 0

    # What only some kinds have

    def _horizon(self) -> tuple[int, Weekly | None]:
        if not self._has("horizon"):
            return 0, None
        given = self.fields["horizon"]
        found = _MOMENT.fullmatch(given.strip().lower()) if isinstance(given, str) else None
        if found is not None and found[1] in _DAYS:
            return 0, Weekly(_DAYS[found[1]], int(found[2]) * 60 + int(found[3]))
        try:
            ahead_ms = parse_duration_ms(given)
            if ahead_ms == 0:
                raise ValueError("is zero")
        except ValueError as error:
            self._wrong("horizon", f"{error}; a horizon is a time ahead, like '12 h', or a moment, like 'monday 08:00'")
            return 0, None
        return ahead_ms, None

    def _read_word(self, field: str) -> str:
        """What the kind makes of the field `against` or `counts`."""
        read = None if self.kind is None else {"against": self.kind.against, "counts": self.kind.counts}[field]
        if not self._has(field) or read is None:
            return ""
        try:
            return read(self.fields[field], self.measure)
        except ValueError as error:
            self._wrong(field, str(error), "measure", "kind")
            return ""

    def _bands(self) -> tuple[Band, ...]:
        if not self._has("bands"):
            return ()
        given = self.fields["bands"]
        if "against" not in self.fields:
            self._wrong("bands", f"means nothing without 'against: {SQUEEZE_TEST}'", "against", to_remove=True)
        elif not isinstance(given, dict) or not given:
            self._wrong("bands", f"needs a span for each of {', '.join(Feel)}, like 'dry: [0 %, 75 %]'")
        else:
            found = [self._band(feel, span) for feel, span in given.items()]
            return tuple(band for band in found if band is not None)
        return ()

    def _band(self, feel: str, span: object) -> Band | None:
        if feel not in list(Feel):
            guess = nearest(str(feel), list(Feel))
            right = f"did you mean '{guess}'?" if guess else f"use {', '.join(Feel)}"
            self._wrong("bands", f"'{feel}' is no result of a squeeze test; {right}", at_key=True, item=feel)
            return None
        if not isinstance(span, list) or len(span) != 2:
            self._wrong("bands", "needs two values, from and to, like [0 %, 75 %]", item=feel)
            return None
        try:
            low, high = (possible(end, MEASURES["bedding_moisture"]) for end in span)
        except ValueError as error:
            self._wrong("bands", str(error), item=feel)
            return None
        if low >= high:
            self._wrong("bands", "does not end above where it begins", item=feel)
        return Band(feel, low, high)

    def _conditions(self, field: str) -> tuple[Condition, ...]:
        given = self.fields.get(field, [])
        if field in self.fields and given == []:
            self._wrong(field, "names no condition; leave the key out")
        found = []
        for place, text in enumerate(given if isinstance(given, list) else [given]):
            if isinstance(text, str):  # what is not text is told of by `check`
                try:
                    found.append(parse_condition(text))
                except ValueError as error:
                    self._wrong(field, str(error), item=place if isinstance(given, list) else None)
        return tuple(found)

    def _compare(self, where: tuple[str, ...], setpoint: float | None, off_delay: int | None) -> None:
        """What no field can know alone."""
        if BROKER in where:
            if self.kind is not None and not self.kind.watches_link:
                able = " or ".join(said.kind for said in KINDS.values() if said.watches_link)
                self._wrong("where", f"'broker' is the link to the broker; only kind {able} can watch it", "kind")
            if len(where) > 1:
                self._wrong("where", "'broker' cannot stand beside places; make it an alarm of its own")
            if "measure" in self.fields and self.kind is not None and self.kind.watches_link:
                self._wrong("measure", "means nothing for the link to the broker", "where", "kind", to_remove=True)
        for clash in () if self.kind is None else self.kind.clashes(setpoint, off_delay):
            self._wrong(clash.field, clash.message, *clash.because, "kind")


def _texts_of(given: object) -> list[str]:
    """One text or a list of them, as a list; what is not text is told of by `check`."""
    return [text for text in (given if isinstance(given, list) else [given]) if isinstance(text, str)]
