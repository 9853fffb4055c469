"""Rule files: YAML text to rules, with everything wrong in all of them said at once.

    alarms:
      bedding-dry:                        # a name of small letters, digits and '-'
        kind: low                         # high, low, silent
        measure: bedding_moisture
        where: [juniper/top, maple/*]     # left out: everywhere the measure is found
        setpoint: 60 %
        ...

What pydantic can see alone (keys, texts, names of a list) is in `AlarmFields`; what depends on the kind and the measure
(quantities, places, keys that mean nothing here) is in `_Reading`. Both run whatever the other finds.
"""

import re
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from collector.alarms.model import Kind, Priority, Rule
from collector.alarms.places import BROKER, is_pattern
from collector.domain.problems import Problem, Refused, nearest
from collector.domain.units import MEASURES, difference_of, parse_duration_ms, parse_quantity
from collector.domain.yamltext import Marked, Path, check, read_yaml

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")


def _name(text: str) -> str:
    if not _NAME.fullmatch(text):
        raise ValueError(f"'{text}' cannot name an alarm; use small letters, digits and '-', at most 60 of them")
    return text


def _said(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty; a person has to act on this text")
    return " ".join(text.split())


AlarmName = Annotated[str, AfterValidator(_name)]
Said = Annotated[str, AfterValidator(_said)]


def _quantity(what: str, *examples: str) -> Any:
    return Field(None, description=what, json_schema_extra={"type": ["string", "boolean"], "examples": list(examples)})


def _duration(what: str, example: str) -> Any:
    return Field(
        None,
        description=what,
        json_schema_extra={"type": "string", "pattern": r"^\s*\+?[0-9.]+\s*(s|min|h|d)\s*$", "examples": [example]},
    )


class AlarmFields(BaseModel):
    """One alarm. What to set depends on the kind: high and low need measure and setpoint; silent takes no deadband."""

    model_config = ConfigDict(extra="forbid", strict=True)

    kind: Annotated[Kind, Field(strict=False, description="high, low: a value beyond the setpoint; silent: no reading")]
    measure: str = Field("", description="What is measured", json_schema_extra={"enum": list(MEASURES)})
    where: Annotated[list[str], BeforeValidator(lambda given: [given] if isinstance(given, str) else given)] = Field(
        [],
        description="Places: 'juniper/top', 'juniper/*', '*/top', 'room'; or 'broker'; left out: everywhere",
        json_schema_extra={"type": ["string", "array"]},
    )
    setpoint: Any = _quantity("A value with its unit; silent: how long without a reading", "60 %", "27 degC", "30 min")
    deadband: Any = _quantity("How far back behind the setpoint before it clears", "2 %", "0.5 degC")
    on_delay: Any = _duration("How long the condition must last before it is told", "15 min")
    off_delay: Any = _duration("How long it must stay away before it clears", "15 min")
    priority: Annotated[Priority, Field(strict=False, description="How much it matters and how soon")]
    consequence: Said = Field(description="What happens, and by when, if nobody acts")
    corrective_action: Said = Field(description="What to do with one's hands")
    time_to_respond: Any = Field(
        description="How long there is to act before harm", json_schema_extra={"type": "string", "examples": ["6 h"]}
    )
    basis: Said = Field(description="The source of the setpoint, and where sources disagree")
    enabled: bool = Field(True, description="no: switched off, as if it did not stand here")


class RuleFile(BaseModel):
    """A set of alarms: a name and what belongs to it."""

    model_config = ConfigDict(extra="forbid")

    alarms: Annotated[
        dict[AlarmName, AlarmFields],
        BeforeValidator(lambda given: {} if given is None else given),
    ] = {}


def rules_schema() -> dict[str, Any]:
    """JSON Schema of a rule file, for editors."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **RuleFile.model_json_schema()}


def read_rules(texts: Mapping[str, str]) -> tuple[Rule, ...]:
    """The rules of all files, in order. Raises Refused with every problem of every file."""
    rules: list[Rule] = []
    problems: list[Problem] = []
    first: dict[str, str] = {}
    for file, text in texts.items():
        try:
            marked = read_yaml(text, file)
        except Refused as refused:
            problems += refused.problems
            continue
        rules += read_alarms(marked, problems)
        problems += _doubled(marked, first)
    if problems:
        raise Refused(dict.fromkeys(problems))
    return tuple(rules)


def read_alarms(marked: Marked, problems: list[Problem]) -> list[Rule]:
    """The rules of one set of alarms; what is wrong is added to `problems`. Those switched off are among them."""
    try:
        check(marked, RuleFile)
    except Refused as refused:
        problems += refused.problems
    readings = [_Reading(marked, name, fields) for name, fields in _alarms(marked).items() if isinstance(fields, dict)]
    rules = [reading.rule() for reading in readings]
    problems += [problem for reading in readings for problem in reading.problems]
    return [rule for rule in rules if rule is not None]


def _alarms(marked: Marked) -> dict[str, Any]:
    alarms = marked.data.get("alarms") if isinstance(marked.data, dict) else None
    return alarms if isinstance(alarms, dict) else {}


def _doubled(marked: Marked, first: dict[str, str]) -> list[Problem]:
    """Alarms whose name an earlier file has used. `first` remembers where."""
    problems = []
    for name in _alarms(marked):
        if name in first:
            message = f"an alarm of this name stands at {first[name]}; rename one"
            problems.append(marked.problem(("alarms", name), message, at_key=True))
        first.setdefault(name, _source(marked, name))
    return problems


def _source(marked: Marked, name: str) -> str:
    return f"{marked.file}:{marked.keys['alarms', name].line}"


class _Reading:
    """One alarm's fields on their way to a Rule; what is wrong gathers in `problems`."""

    def __init__(self, marked: Marked, name: str, fields: dict[str, Any]) -> None:
        self.marked, self.name, self.fields = marked, name, fields
        self.problems: list[Problem] = []
        kind = fields.get("kind")
        self.kind = Kind(kind) if kind in list(Kind) else None

    def rule(self) -> Rule | None:
        """The rule, or None where something is wrong, here or in what pydantic checks."""
        measure, where, setpoint = self._measure(), self._where(), self._setpoint()
        deadband = self._deadband()
        on_delay, off_delay = self._duration("on_delay", 0), self._duration("off_delay", 0)
        respond = self._duration("time_to_respond", None)
        if respond == 0:
            self._wrong("time_to_respond", "is zero; an alarm nobody has time to act on is not an alarm")
        self._compare(where, setpoint, off_delay)
        try:
            said = AlarmFields.model_validate(self.fields)
        except ValueError:
            return None  # `check` has said what is wrong
        if self.problems or setpoint is None or on_delay is None or off_delay is None or respond is None:
            return None
        return Rule(
            self.name,
            said.kind,
            measure,
            where,
            setpoint,
            deadband,
            on_delay,
            off_delay,
            said.priority,
            said.consequence,
            said.corrective_action,
            respond,
            said.basis,
            _source(self.marked, self.name),
        )

    def _wrong(self, field: str, message: str, *, at_key: bool = False) -> None:
        path: Path = ("alarms", self.name, field)
        self.problems.append(self.marked.problem(path, message, at_key=at_key))

    def _measure(self) -> str:
        measure: object = self.fields.get("measure", "")
        if not isinstance(measure, str):
            return ""
        if "measure" in self.fields and measure not in MEASURES:
            guess = nearest(measure, MEASURES)
            right = f"did you mean '{guess}'?" if guess else f"use one of {', '.join(MEASURES)}"
            self._wrong("measure", f"'{measure}' is not a measure; {right}")
            return ""
        if not measure and self.kind in (Kind.HIGH, Kind.LOW):
            self._wrong("measure", f"missing; kind {self.kind} needs to know what is measured", at_key=True)
        return measure

    def _where(self) -> tuple[str, ...]:
        given = self.fields.get("where", [])
        patterns = [given] if isinstance(given, str) else given if isinstance(given, list) else []
        if "where" in self.fields and given == []:
            self._wrong("where", "names no place; leave the key out to mean everywhere the measure is found")
        for pattern in patterns:
            if isinstance(pattern, str) and not is_pattern(pattern):
                self._wrong("where", f"'{pattern}' is not a place; write it like 'juniper/top', 'juniper/*' or 'room'")
        return tuple(pattern for pattern in patterns if isinstance(pattern, str))

    def _setpoint(self) -> float | None:
        if "setpoint" not in self.fields:
            what = "how long without a reading" if self.kind is Kind.SILENT else "the value beyond which it alarms"
            self._wrong("setpoint", f"missing; give {what}", at_key=True)
            return None
        if self.kind is Kind.SILENT:
            after_ms = self._duration("setpoint", None)
            if after_ms == 0:
                self._wrong("setpoint", "is zero; give how long without a reading, like '30 min'")
            return None if after_ms is None else float(after_ms)
        return self._value("setpoint", difference=False)

    def _deadband(self) -> float:
        if "deadband" not in self.fields:
            return 0.0
        measure = MEASURES.get(str(self.fields.get("measure")))
        if self.kind is Kind.SILENT or (measure is not None and measure.dimension == "switch"):
            what = "kind silent" if self.kind is Kind.SILENT else f"{measure.label if measure else ''}, on or off"
            self._wrong("deadband", f"means nothing for {what}; remove it", at_key=True)
            return 0.0
        deadband = self._value("deadband", difference=True)
        if deadband is not None and deadband < 0:
            self._wrong("deadband", f"'{self.fields['deadband']}' is negative; a deadband is 0 or more")
        return deadband or 0.0

    def _value(self, field: str, *, difference: bool) -> float | None:
        """A quantity of the alarm's measure; None, and silence, where kind or measure are wrong themselves."""
        measure = MEASURES.get(str(self.fields.get("measure")))
        if self.kind is None or measure is None:
            return None
        dimension = difference_of(measure.dimension) if difference else measure.dimension
        try:
            value = parse_quantity(self.fields[field], dimension)
        except ValueError as error:
            self._wrong(field, str(error))
            return None
        if not difference and not (measure.low <= value <= measure.high):
            span = f"{measure.low:g} to {measure.high:g} {measure.unit}"
            self._wrong(field, f"'{self.fields[field]}' is outside what {measure.label} can be ({span})")
        return value

    def _duration(self, field: str, default: int | None) -> int | None:
        if field not in self.fields:
            return default
        try:
            return parse_duration_ms(self.fields[field])
        except ValueError as error:
            self._wrong(field, str(error))
            return None

    def _compare(self, where: tuple[str, ...], setpoint: float | None, off_delay: int | None) -> None:
        """What no field can know alone."""
        if BROKER in where:
            if self.kind in (Kind.HIGH, Kind.LOW):
                self._wrong("where", "'broker' is the link to the broker; only kind silent can watch it")
            if len(where) > 1:
                self._wrong("where", "'broker' cannot stand beside places; make it an alarm of its own")
            if "measure" in self.fields and self.kind is Kind.SILENT:
                self._wrong("measure", "means nothing for the link to the broker; remove it", at_key=True)
        if self.kind is Kind.SILENT and off_delay is not None and setpoint is not None and off_delay >= setpoint > 0:
            self._wrong("off_delay", "is not shorter than the setpoint; it could outlast the next silence")
