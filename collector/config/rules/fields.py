"""What stands in a rule file: which fields an alarm has, what each kind needs, and the schema that editors read."""

import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from collector.alarms.contexts import CONDITION_EXAMPLES
from collector.alarms.kinds.kind import DELAYS, RuleKind
from collector.alarms.kinds.table import KINDS
from collector.alarms.model import Kind, Priority, What
from collector.domain.units import MEASURES

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
Texts = Annotated[list[str], BeforeValidator(lambda given: [given] if isinstance(given, str) else given)]


def _quantity(what: str, *examples: str) -> Any:
    return Field(None, description=what, json_schema_extra={"type": ["string", "boolean"], "examples": list(examples)})


def _duration(what: str, example: str) -> Any:
    return Field(
        None,
        description=what,
        json_schema_extra={"type": "string", "pattern": r"^\s*\+?[0-9.]+\s*(s|min|h|d)\s*$", "examples": [example]},
    )


def _text(what: str, *examples: str) -> Any:
    return Field(None, description=what, json_schema_extra={"type": "string", "examples": list(examples)})


def _conditions(what: str) -> Any:
    return Field(
        [],
        description=f"{what}; one condition or a list",
        json_schema_extra={"type": ["string", "array"], "examples": list(CONDITION_EXAMPLES)},
    )


def _by_kind(said: Callable[[RuleKind], str]) -> str:
    """What is said of each kind, of those of which the same is said together: 'high, low: a value beyond ...'."""
    groups: dict[str, list[str]] = {}
    for kind in KINDS.values():
        text = said(kind)
        groups[text] = [*groups.pop(text, []), kind.kind]
    return "; ".join(f"{', '.join(kinds)}: {text}" for text, kinds in groups.items() if text)


def _only(field: str, text: str) -> str:
    """What is said of a field that only some kinds have."""
    return _by_kind(lambda kind: text if field in (*kind.needs, *kind.takes) else "")


_IN_BRACES = "quantities in braces, like {35 degC}, {12-25 degC}, {5 K} apart, {0.25 L}, are shown in the lab's units"


class AlarmFields(BaseModel):
    """One alarm. Which fields it takes and needs depends on its kind."""

    model_config = ConfigDict(extra="forbid", strict=True)

    kind: Annotated[
        Kind,
        Field(
            strict=False,
            description=_by_kind(lambda kind: kind.means),
        ),
    ]
    measure: str = Field("", description="What is measured", json_schema_extra={"enum": list(MEASURES)})
    what: What | None = Field(None, strict=False, description=_only("what", "what should have been done or ended"))
    where: Texts = Field(
        [],
        description="Places: 'juniper/top', 'juniper/*', '*/top', 'room'; or 'broker'; left out: everywhere",
        json_schema_extra={"type": ["string", "array"]},
    )
    against: Any = _text(
        _by_kind(lambda kind: kind.against_means),
        "air_temperature at room",
        "squeeze test",
    )
    counts: Any = _text(
        "suspect: 'out of the bedding', or left out to count all doubtful readings but those", "out of the bedding"
    )
    setpoint: Any = _quantity(
        f"A value with its unit; {_by_kind(lambda kind: kind.setpoint.means)}",
        "60 %",
        "27 degC",
        "+6 degC",
        "-1.5 % per h",
        "30 min",
    )
    at_most: Any = _duration(
        "silent: the setpoint grows up to this by how long each probe is usually silent; left out: it does not", "6 h"
    )
    deadband: Any = _quantity("How far back behind the setpoint before it clears", "2 %", "0.5 degC")
    window: Any = _duration(_only("window", "how far back is looked"), "6 h")
    horizon: Any = _text(_only("horizon", "how far ahead is looked, or until when"), "12 h", "monday 08:00")
    toward: Literal["low", "high"] | None = Field(None, description=_only("toward", "which way it would go wrong"))
    beyond: Any = _quantity(
        _only("beyond", "only while the reading itself is above this; below it where the alarm is about low"),
        "24 degC",
    )
    bands: Any = Field(
        None,
        description="discrepancy against the squeeze test: from and to which value the probe may say what was felt",
        json_schema_extra={"type": "object", "examples": [{"dry": ["0 %", "75 %"], "wet": ["75 %", "100 %"]}]},
    )
    on_delay: Any = _duration("How long the condition must last before it is told", "15 min")
    off_delay: Any = _duration("How long it must stay away before it clears", "15 min")
    only_while: Texts = _conditions("Suppressed unless this holds")
    not_while: Texts = _conditions("Suppressed while this holds")
    waits_for_morning: bool = Field(
        False, description="yes, with priority medium: told in waking hours only, however short the time to respond"
    )
    gives_way_to: Texts = Field(
        [],
        description="Worse alarms of the same trouble; while one stands at the same place, it speaks for this one",
        json_schema_extra={"type": ["string", "array"], "examples": ["bedding-hot"]},
    )
    gives_way_for: Any = _duration("So long after the end of those it still waits to be told", "20 min")
    latching: bool = Field(False, description="yes: stays until a person resets it, also when its condition has gone")
    re_alarm: Any = _duration("Told again when it still stands so long after it was acknowledged", "4 h")
    priority: Annotated[Priority, Field(strict=False, description="How much it matters and how soon")]
    consequence: Said = Field(description=f"What happens, and by when, if nobody acts; {_IN_BRACES}")
    corrective_action: Said = Field(description=f"What to do with one's hands; {_IN_BRACES}")
    time_to_respond: Any = Field(
        description="How long there is to act before harm", json_schema_extra={"type": "string", "examples": ["6 h"]}
    )
    basis: Said = Field(description=f"The source of the setpoint, and where sources disagree; {_IN_BRACES}")
    enabled: bool = Field(True, description="no: switched off, as if it did not stand here")


SAID = ("consequence", "corrective_action", "basis")
"""Texts for people; quantities in them stand in braces, see `collector.domain.said_quantities`."""
_OWN = (
    *("measure", "what", "against", "counts", "beyond", "deadband", "window", "horizon", "toward", "bands", "at_most"),
    *DELAYS,
)
"""Fields that not every kind has."""
WANTED: Mapping[str, str] = {
    "measure": "what is measured",
    "against": "what it is held against, like 'air_temperature at room'",
    "window": "how far back to look, like '6 h'",
    "horizon": "how far ahead to look, like '12 h' or 'monday 08:00'",
    "toward": "which way it would go wrong, low or high",
    "what": f"what should have been done: {', '.join(What)}",
}


def foreign(kind: Kind) -> tuple[str, ...]:
    """Fields that mean nothing for the kind."""
    return tuple(KINDS[kind].foreign(_OWN))


class RuleFile(BaseModel):
    """A set of alarms: a name and what belongs to it."""

    model_config = ConfigDict(extra="forbid")

    alarms: Annotated[
        dict[AlarmName, AlarmFields],
        BeforeValidator(lambda given: {} if given is None else given),
    ] = {}


def rules_schema() -> dict[str, Any]:
    """JSON Schema of a rule file, for editors."""
    schema = RuleFile.model_json_schema()
    schema["$defs"][AlarmFields.__name__]["allOf"] = [_of_kind(kind) for kind in Kind]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _of_kind(kind: Kind) -> dict[str, Any]:
    """What only holds for one kind."""
    return {
        "if": {"properties": {"kind": {"const": kind.value}}, "required": ["kind"]},
        "then": {"required": ["setpoint", *KINDS[kind].needs], "properties": dict.fromkeys(foreign(kind), False)},
    }
