"""Rule sets in layers: what ships, and over it what a lab changes, field by field.

    alarms:
      bedding-dry: {setpoint: 62 %}       # an alarm that ships: this field of it is changed
      bedding-wet: {deadband: null}       # ... is taken away, where an alarm can do without
      bedding-cool: {enabled: no}         # ... is switched off
      bench-light: {kind: ...}            # any other name is one more alarm and must be complete

Each alarm is put together from its pieces and then read as if it stood in one file, so every check of a rule file holds
for it; places are kept beside each value, so a problem points at the file it came from. What is wrong with a value that
ships says which other fields it follows from; the first of these that the lab has set is where it is told.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict

from collector.alarms.kinds.kind import Doubt
from collector.alarms.model import Rule
from collector.config.rules.check import rule_doubts
from collector.config.rules.fields import AlarmFields, AlarmName, rules_schema
from collector.config.rules.file import Slip, read_alarms
from collector.config.yaml.text import KeyPath, Marked, Position, examine, read_yaml
from collector.domain.lab import Lab
from collector.domain.problems import Problem, Refused, nearest

FIELDS = tuple(AlarmFields.model_fields)
"""The fields of an alarm in the order people should read them."""
_NEEDED = frozenset(name for name, info in AlarmFields.model_fields.items() if info.is_required())


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Where a value stands."""

    file: str
    line: int
    column: int
    site: bool
    """In a file of the lab, not in one that ships."""

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.site else f"{self.file}:{self.line} (ships)"


@dataclass(frozen=True, slots=True, kw_only=True)
class LayeredAlarm:
    """One alarm as it is in effect, and where each part of it came from."""

    rule: Rule
    enabled: bool
    at: Origin
    """Where its name stands: the lab's place if the lab says anything about it."""
    base: Origin
    """Where it stands in what ships, if it ships."""
    values: Mapping[str, Any]
    """Field -> as written. A field that was left out or taken away is not there."""
    origins: Mapping[str, Origin]
    """Field -> where it was set; also of a field that was taken away."""
    shipped: Mapping[str, Any] | None
    """Field -> as it ships; None where no alarm of this name ships."""
    shipped_rule: Rule | None = None
    """As it ships, where it does and the lab says something of it."""

    @property
    def name(self) -> str:
        """Its name."""
        return self.rule.name

    @property
    def changed(self) -> tuple[str, ...]:
        """The fields set by the lab, in its order."""
        return tuple(name for name, origin in self.origins.items() if origin.site)


@dataclass(frozen=True, slots=True)
class RuleSet:
    """All alarms, those that ship first; those switched off are among them."""

    alarms: tuple[LayeredAlarm, ...]
    notes: tuple[Problem, ...] = ()
    """Warnings about the layers themselves."""

    @property
    def rules(self) -> tuple[Rule, ...]:
        """The rules in force."""
        return tuple(alarm.rule for alarm in self.alarms if alarm.enabled)

    def warnings(self, lab: Lab) -> tuple[Problem, ...]:
        """What may not do what was meant in this lab, each at the line it is about or that is behind it."""
        by_name = {alarm.name: alarm for alarm in self.alarms}
        of_the_lab = {alarm.name: alarm.shipped_rule for alarm in self.alarms if alarm.at.site}
        found = [_placed(doubt, by_name) for doubt in rule_doubts(self.rules, lab, of_the_lab)]
        return tuple(sorted((*self.notes, *found)))


def _placed(doubt: Doubt, alarms: Mapping[str, LayeredAlarm]) -> Problem:
    """At the value it is about, or at what the lab said of another that it follows from."""
    alarm, field = alarms[doubt.rule.name], _field(doubt.rule.name, doubt.field)
    at = alarm.origins.get(doubt.field, alarm.base)
    problem = Problem(
        file=at.file, line=at.line, column=at.column, field=field, message=doubt.message, severity="warning"
    )
    behind = None if at.site else _behind(doubt, alarm, None if doubt.beside is None else alarms[doubt.beside.name])
    return problem if behind is None else _blame(problem, *behind)


def _behind(doubt: Doubt, alarm: LayeredAlarm, beside: LayeredAlarm | None) -> tuple[str, Origin] | None:
    """The lab's field, and where it stands, that a doubt about what ships follows from; its alarm, where that is all
    the lab's."""
    asked = [(alarm, name) for name in doubt.because]
    if beside is not None:
        if beside.shipped is None:
            return _field(beside.name), beside.at
        asked += [(beside, name) for name in doubt.theirs]
    said = ((_field(named.name, name), named.origins[name]) for named, name in asked if name in named.origins)
    return next(((field, at) for field, at in said if at.site), None)


def _field(alarm: str, name: str | None = None) -> str:
    return f"alarms.{alarm}" if name is None else f"alarms.{alarm}.{name}"


def _blame(problem: Problem, behind: str, at: Origin, remedy: str = "") -> Problem:
    """The same problem, told where the lab's change stands that is behind it."""
    message = f"clashes with what ships: {problem.file}:{problem.line} {problem.field}: {problem.message}{remedy}"
    return Problem(
        file=at.file, line=at.line, column=at.column, field=behind, message=message, severity=problem.severity
    )


# ---- reading -----------------------------------------------------------------------------------------------------


class _Layer(BaseModel):
    """A file before its alarms are put together: only its outer shape can be judged."""

    model_config = ConfigDict(extra="forbid")

    alarms: Annotated[
        dict[AlarmName, dict[str, Any]], BeforeValidator(lambda given: {} if given is None else given)
    ] = {}


@dataclass(slots=True, kw_only=True)
class _Piece:
    """What one file says of one alarm. `values` and `keys`: field -> where it and what is in it stands."""

    name: str
    file: str
    site: bool
    fields: dict[str, Any]
    values: dict[str | int | None, dict[KeyPath, Position]] = field(default_factory=dict)
    keys: dict[str | int | None, dict[KeyPath, Position]] = field(default_factory=dict)

    def at(self, name: str | None = None) -> Origin:
        """Where the field's value, or the name of the alarm, stands."""
        path: KeyPath = ("alarms", self.name) if name is None else ("alarms", self.name, name)
        mark = self.keys[None][path] if name is None else self.values[name][path]
        return Origin(file=self.file, line=mark.line, column=mark.column, site=self.site)

    def problem(self, name: str, message: str) -> Problem:
        """Something wrong with what it says of a field."""
        at = self.at(name)
        return Problem(file=at.file, line=at.line, column=at.column, field=_field(self.name, name), message=message)


def read_layers(shipped: Mapping[str, str], site: Mapping[str, str], unread: Iterable[Problem] = ()) -> RuleSet:
    """Put the files (name -> text) together. Raises Refused with every problem of every file, and those in `unread`."""
    rules, problems = examine_layers(shipped, site, unread)
    if problems:
        raise Refused(problems)
    return rules


def examine_layers(
    shipped: Mapping[str, str], site: Mapping[str, str], unread: Iterable[Problem] = ()
) -> tuple[RuleSet, tuple[Problem, ...]]:
    """As `read_layers`, but the alarms that are good, and all problems."""
    problems = list(unread)
    below = _first_of_each(_pieces(shipped, False, problems), problems)
    above: dict[str, list[_Piece]] = {}
    for piece in _pieces(site, True, problems):
        problems += _set_twice(above.setdefault(piece.name, []), piece)
        above[piece.name].append(piece)
    notes: list[Problem] = []
    alarms = [_alarm(below.get(name), above.get(name, []), below, problems, notes) for name in (below | above)]
    good = tuple(alarm for alarm in alarms if alarm is not None)
    return RuleSet(good, tuple(notes)), tuple(sorted(set(problems)))


def _pieces(texts: Mapping[str, str], site: bool, problems: list[Problem]) -> list[_Piece]:
    found: list[_Piece] = []
    for file, text in texts.items():
        try:
            marked = read_yaml(text, file)
        except Refused as refused:
            problems += refused.problems
            continue
        problems += [fault.problem for fault in examine(marked, _Layer)[1]]
        found += _pieces_of(marked, site)
    return found


def _pieces_of(marked: Marked, site: bool) -> list[_Piece]:
    alarms = marked.data.get("alarms") if isinstance(marked.data, dict) else None
    if not isinstance(alarms, dict):
        return []
    pieces = {
        name: _Piece(name=name, file=marked.file, site=site, fields=said)
        for name, said in alarms.items()
        if isinstance(said, dict)
    }
    for marks, group in ((marked.values, "values"), (marked.keys, "keys")):
        for path, mark in marks.items():
            piece = pieces.get(str(path[1])) if len(path) > 1 and path[0] == "alarms" else None
            if piece is not None:
                about = path[2] if len(path) > 2 else None
                getattr(piece, group).setdefault(about, {})[path] = replace(mark, file=marked.file)
    return list(pieces.values())


def _first_of_each(pieces: Iterable[_Piece], problems: list[Problem]) -> dict[str, _Piece]:
    """What ships under each name: of two files of one layer, only one may name an alarm that is whole in itself."""
    first: dict[str, _Piece] = {}
    for piece in pieces:
        if piece.name in first:
            known, at = first[piece.name].at(), piece.at()
            message = f"an alarm of this name stands at {known.file}:{known.line}; rename one"
            problems.append(
                Problem(file=at.file, line=at.line, column=at.column, field=_field(piece.name), message=message)
            )
        first.setdefault(piece.name, piece)
    return first


def _set_twice(others: Iterable[_Piece], piece: _Piece) -> Iterator[Problem]:
    for other in others:
        for name in other.fields.keys() & piece.fields.keys():
            at = other.at(name)
            yield piece.problem(name, f"is set at {at.file}:{at.line}:{at.column}, too; keep one of the two")


def _alarm(
    below: _Piece | None,
    above: Sequence[_Piece],
    shipped: Iterable[str],
    problems: list[Problem],
    notes: list[Problem],
) -> LayeredAlarm | None:
    """One alarm from what ships of it and what the lab says about it."""
    pieces = [*([] if below is None else [below]), *above]
    wrong, idle = _nulls(below, above)
    notes += idle
    whole = _merged(pieces)
    values: dict[str, Any] = whole.data["alarms"][pieces[-1].name]
    rules, slips = read_alarms(whole)
    found = [_at_its_cause(slip, pieces) for slip in slips]
    if below is None:
        found = _new(found, above[-1], values, shipped)
    problems += (*wrong, *found)
    if wrong or found or not rules:
        return None
    (rule,) = rules
    return LayeredAlarm(
        rule=rule,
        enabled=values.get("enabled", True),
        at=pieces[-1].at(),
        base=pieces[0].at(),
        values=values,
        origins={name: piece.at(name) for piece in pieces for name in piece.fields},
        shipped=None if below is None else below.fields,
        shipped_rule=None if below is None or not above else next(iter(read_alarms(_merged([below]))[0]), None),
    )


def _merged(pieces: Sequence[_Piece]) -> Marked:
    """The pieces as one file that holds one alarm, with the places of the pieces."""
    top, fields = pieces[-1], dict[str, Any]()
    values: dict[str | int | None, dict[KeyPath, Position]] = {None: top.values[None]}
    keys: dict[str | int | None, dict[KeyPath, Position]] = {None: top.keys[None]}
    for piece in pieces:
        for name, said in piece.fields.items():
            away = piece.site and said is None and name in FIELDS
            if away and name in _NEEDED & fields.keys():
                continue
            fields[name], values[name], keys[name] = said, piece.values[name], piece.keys[name]
            if away:
                del fields[name]
    return Marked(
        file=top.file,
        data={"alarms": {top.name: fields}},
        values={path: mark for marks in values.values() for path, mark in marks.items()},
        keys={path: mark for marks in keys.values() for path, mark in marks.items()},
    )


def _nulls(below: _Piece | None, above: Iterable[_Piece]) -> tuple[list[Problem], list[Problem]]:
    """Fields of what ships that the lab takes away: what cannot be, and what takes nothing away."""
    shipped = {} if below is None else below.fields
    gone = [(piece, name) for piece in above for name, said in piece.fields.items() if said is None and name in FIELDS]
    wrong = [
        piece.problem(name, "cannot be taken away, every alarm needs it; leave the line out to keep what ships")
        for piece, name in gone
        if name in _NEEDED and name in shipped
    ]
    idle = [
        replace(piece.problem(name, "takes nothing away: it is not set in what ships"), severity="warning")
        for piece, name in gone
        if name not in shipped and name not in _NEEDED
    ]
    return wrong, idle


def _new(found: Iterable[Problem], top: _Piece, fields: Mapping[str, Any], shipped: Iterable[str]) -> list[Problem]:
    """Problems of an alarm that does not ship: what it lacks in one line, which may be all for a slip in its name."""
    lacking = {_field(top.name, name): name for name in FIELDS if name not in fields}
    missing = {lacking[problem.field] for problem in found if problem.field in lacking}
    rest = [problem for problem in found if problem.field not in lacking]
    if not missing:
        return rest
    guess = nearest(top.name, shipped)
    hint = f"; did you mean '{guess}'? A" if guess else " and a"
    named = ", ".join(sorted(missing, key=FIELDS.index))
    at = top.at()
    message = f"no alarm that ships is called '{top.name}'{hint} new one also needs: {named}"
    return [Problem(file=at.file, line=at.line, column=at.column, field=_field(top.name), message=message), *rest]


def _at_its_cause(slip: Slip, pieces: Sequence[_Piece]) -> Problem:
    """A problem about what ships is told at what the lab said that it follows from, if it said any of that."""
    above = [piece for piece in pieces if piece.site]
    behind = next(((piece, name) for name in slip.because for piece in above if name in piece.fields), None)
    if behind is None or _is_here(slip.problem, above):
        return slip.told
    piece, name = behind
    remedy = f"; take it away with '{slip.problem.field.rpartition('.')[2]}: null'" if slip.to_remove else ""
    return _blame(slip.problem, _field(piece.name, name), piece.at(name), remedy)


def _is_here(problem: Problem, pieces: Iterable[_Piece]) -> bool:
    place = (problem.file, problem.line, problem.column)
    return any(
        (mark.file, mark.line, mark.column) == place
        for piece in pieces
        for marks in (*piece.values.values(), *piece.keys.values())
        for mark in marks.values()
    )


# ---- for editors -------------------------------------------------------------------------------------------------


def site_schema() -> dict[str, Any]:
    """JSON Schema of a lab's own rule file: alarms may be partial, and null takes away what can be done without."""
    schema = rules_schema()
    alarm = schema["$defs"][AlarmFields.__name__]
    alarm.pop("required", None)
    alarm.pop("allOf", None)  # what its kind needs may stand in what ships
    alarm["description"] = "Changes of an alarm that ships, or one more alarm, which must be complete."
    alarm["properties"] = {
        name: said if name in _NEEDED else _or_null(said) for name, said in alarm["properties"].items()
    }
    schema["title"] = "SiteRuleFile"
    return schema


def _or_null(said: dict[str, Any]) -> dict[str, Any]:
    told = {name: said[name] for name in ("title", "description") if name in said}
    return told | {"anyOf": [{k: v for k, v in said.items() if k not in told}, {"type": "null"}]}
