"""The words of `traywarden rules audit`: tables for people, the same figures for programs."""

import textwrap
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, NamedTuple

from collector.alarms.audit.figures import Actor, Audit, Figure
from collector.alarms.audit.history import Annunciation
from collector.alarms.audit.limits import ENOUGH_DAYS, MEMORY, Limit
from collector.alarms.audit.suggest import Advice, Edit, Episode, Trial
from collector.alarms.words import show_amount
from collector.cli.local import Local
from collector.cli.output import iso, say, say_lines, table
from collector.config.rules.layers import LayeredAlarm
from collector.domain.units import show_duration

Show = Callable[[float], str]
"""How a value that a rule compares is said."""
_TOP = 10
_BOUTS = (
    "Bouts are runs of three alarms or more within a minute (the standard's chattering) and within an hour (this "
    "lab's); repeats are all of a bout by the hour but its first; fleeting ones were gone within the hour before "
    f"anybody acknowledged them. What flood, chattering, fleeting and stale mean: {MEMORY}."
)
_WIDTH = 100
_VERDICT = {(True, True): "over both", (True, False): "over standard", (False, True): "over target"}


class AuditFinding(NamedTuple):
    """A bad actor, its rule if there still is one, and what would have helped."""

    actor: Actor
    alarm: LayeredAlarm | None
    advice: Advice


def say_audit(found: Audit, findings: Sequence[AuditFinding], local: Local) -> None:
    window = found.window
    say(f"Alarms from {local.time(window.since_ms)} to {local.timed(window.until_ms)}")
    say(
        f"{window.days:.1f} days watched, {found.count} alarms, "
        f"{found.messages} messages to each person who is told of everything"
    )
    if not window.enough:
        say(f"No verdict yet: the standard asks for {ENOUGH_DAYS} days or more.")
    say()
    _say_figures(found)
    if found.floods:
        say_lines("\nFloods (start above 10 alarms in 10 minutes, end below 5)\n")
        floods = [[local.time(flood.since_ms), local.time(flood.until_ms), flood.alarms] for flood in found.floods]
        table(("from", "to", "alarms"), floods)
    if found.actors:
        say_lines("\nThe most frequent, and every other that chatters, flits or stands\n")
        _say_actors(_shown(found, findings))
    if found.standing:
        say_lines("\nStanding at the end\n")
        table(
            ("alarm", "at", "priority", "since", "acknowledged"),
            [_standing(standing, local) for standing in found.standing],
        )
    if findings:
        say_lines("\nWhat would have helped, tried on the stored readings\n")
        for finding in findings:
            _say_finding(finding, local.us)


def _say_figures(found: Audit) -> None:
    notes: dict[str, int] = {}
    rows = [
        [
            figure.measured.label,
            _shown_value(figure),
            _limit(figure.measured.standard, notes),
            _limit(figure.measured.target, notes),
            _verdict(figure) if found.window.enough else "",
        ]
        for figure in found.figures
    ]
    table(("figure", "here", "standard", "target of this lab", "verdict"), rows)
    say()
    for source, number in notes.items():
        say(f"[{number}] {source}")


def _limit(limit: Limit | None, notes: dict[str, int]) -> str:
    if limit is None:
        return "-"
    return f"{limit.words} [{notes.setdefault(limit.source, len(notes) + 1)}]"


def _verdict(figure: Figure) -> str:
    return _VERDICT.get((figure.standard_met is False, figure.target_met is False), "")


def _shown_value(figure: Figure) -> str:
    if figure.value is None:
        return "-"
    if figure.measured.unit == "ms":
        return show_duration(round(figure.value))
    number = f"{figure.value:.0f}" if figure.value == round(figure.value) else f"{figure.value:.2g}"
    if figure.value >= 10:
        number = f"{figure.value:.0f}"
    return f"{number} {figure.measured.unit}".rstrip()


def _shown(found: Audit, findings: Sequence[AuditFinding]) -> list[Actor]:
    bad = [finding.actor for finding in findings]
    return [actor for number, actor in enumerate(found.actors) if number < _TOP or actor in bad]


def _say_actors(actors: Sequence[Actor]) -> None:
    head = ("alarm", "at", "priority", "alarms", "share", "bouts in 1 min", "in 1 h", "repeats", "fleeting", "stale")
    rows = [
        [
            actor.alarm.rule,
            actor.place,
            actor.priority,
            actor.count,
            f"{actor.share:.0f} %",
            actor.bouts_minute,
            actor.bouts_hour,
            actor.repeats_hour,
            actor.fleeting_hour,
            actor.stale,
        ]
        for actor in actors
    ]
    table(head, rows)
    say()
    say_lines(textwrap.fill(_BOUTS, _WIDTH))


def _standing(standing: Annunciation, local: Local) -> list[object]:
    seen = "no" if standing.acknowledged_ms is None else local.time(standing.acknowledged_ms)
    return [standing.alarm.rule, standing.place, standing.priority, local.time(standing.from_ms), seen]


# ---- what would have helped --------------------------------------------------------------------------------------


def _say_finding(finding: AuditFinding, us: bool) -> None:
    actor, advice = finding.actor, finding.advice
    say(f"{actor.alarm.rule} at {actor.place}: {_fault(advice) or 'no suggestion'}")
    if advice.why_not:
        _paragraph(advice.why_not)
    if finding.alarm is not None and advice.best is not None:
        say(f"  {line_to_change(finding.alarm, advice.best.edit)}")
        show = partial(show_amount, finding.alarm.rule, actor.measure, us=us)
        _paragraph(_effect(advice, advice.best, show))
        for other in advice.others:
            say(f"  or  {line_to_change(finding.alarm, other.edit)}")
            _paragraph(_effect(advice, other, show))
    say()


def _fault(advice: Advice) -> str:
    if advice.fault == "chattering":
        return f"chatters, {advice.needless} repeats in {_many(advice.bouts, 'bout')}"
    return f"flits, gone within the hour {advice.needless} times" if advice.fault else ""


def _paragraph(text: str) -> None:
    say_lines(textwrap.fill(text, _WIDTH, initial_indent="    ", subsequent_indent="    "))


def line_to_change(alarm: LayeredAlarm, edit: Edit) -> str:
    """Where to write what. A value that ships is changed by a line of the lab's own."""
    at = alarm.origins.get(edit.field, alarm.at)
    old = str(alarm.values[edit.field]) if edit.field in alarm.values else f"{edit.old} (not set)"
    line = f"{at.file}:{at.line}  {edit.field}: {old} -> {edit.new}"
    if at.site:
        return line
    return f"{line}  (ships; in rules/site.yaml write  {alarm.name}: {{{edit.field}: {edit.new}}})"


def _effect(advice: Advice, trial: Trial, show: Show) -> str:
    return "; ".join(_effects(advice, trial, show)) + "."


def _effects(advice: Advice, trial: Trial, show: Show) -> Iterator[str]:
    yield f"{trial.gone} of {advice.needless} gone: {advice.alarms} alarms become {trial.alarms}"
    if trial.later_ms:
        latest = max(trial.later_ms)
        when = f"up to {show_duration(latest)} later" if latest else "no later"
        yield f"{_many(len(trial.later_ms), 'true alarm')} told, {when}"
    else:
        yield "none of them a true alarm"
    if trial.unheard:
        yield _unheard(trial.unheard, show)
    if trial.longer_ms:
        how = "longer" if trial.longer_ms > 0 else "shorter"
        yield f"it would have stood {show_duration(abs(trial.longer_ms))} {how} in all"


def _unheard(episodes: Sequence[Episode], show: Show) -> str:
    longest = max(episodes, key=lambda episode: episode.lasted_ms)
    worst = f" and reached {show(longest.worst)}" if longest.worst is not None else ""
    return (
        f"{_many(len(episodes), 'passing one')} not told, the longest stood {show_duration(longest.lasted_ms)}{worst}"
    )


def _many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


# ---- for programs ------------------------------------------------------------------------------------------------


def audit_json(found: Audit, findings: Sequence[AuditFinding]) -> dict[str, Any]:
    window = found.window
    return {
        "since": iso(window.since_ms),
        "until": iso(window.until_ms),
        "watched_days": window.days,
        "needed_days": ENOUGH_DAYS,
        "enough": window.enough,
        "alarms": found.count,
        "messages": found.messages,
        "figures": [_figure_json(figure) for figure in found.figures],
        "priorities": dict(found.priorities),
        "floods": [
            {"since": iso(flood.since_ms), "until": iso(flood.until_ms), "alarms": flood.alarms}
            for flood in found.floods
        ],
        "actors": [_actor_json(actor) for actor in found.actors],
        "standing": [
            {
                "name": standing.alarm.rule,
                "at": standing.place,
                "priority": standing.priority,
                "since": iso(standing.from_ms),
                "acknowledged": iso(standing.acknowledged_ms),
            }
            for standing in found.standing
        ],
        "suggestions": [_finding_json(finding) for finding in findings],
    }


def _figure_json(figure: Figure) -> dict[str, Any]:
    in_seconds = figure.measured.unit == "ms" and figure.value is not None
    return {
        "name": figure.name,
        "label": figure.measured.label,
        "value": figure.value / 1000 if in_seconds and figure.value is not None else figure.value,
        "unit": "s" if figure.measured.unit == "ms" else figure.measured.unit,
        "standard": _limit_json(figure.measured.standard, figure.standard_met),
        "target": _limit_json(figure.measured.target, figure.target_met),
    }


def _limit_json(limit: Limit | None, met: bool | None) -> dict[str, Any] | None:
    if limit is None:
        return None
    return {"limit": limit.words, "most": limit.most, "source": limit.source, "met": met}


def _actor_json(actor: Actor) -> dict[str, Any]:
    fields = (
        *("place", "measure", "priority", "count", "share", "bouts_minute", "repeats_minute", "bouts_hour"),
        *("repeats_hour", "fleeting_minute", "fleeting_hour", "stale", "never_acknowledged"),
    )
    values = {field: getattr(actor, field) for field in fields}
    return {"name": actor.alarm.rule, "at": values.pop("place"), "series": actor.alarm.series} | values


def _finding_json(finding: AuditFinding) -> dict[str, Any]:
    actor, advice = finding.actor, finding.advice
    return {
        "name": actor.alarm.rule,
        "at": actor.place,
        "series": actor.alarm.series,
        "fault": advice.fault,
        "alarms": advice.alarms,
        "needless": advice.needless,
        "true": advice.true,
        "best": _trial_json(finding.alarm, advice.best),
        "others": [_trial_json(finding.alarm, trial) for trial in advice.others],
        "why_not": advice.why_not,
    }


def _trial_json(alarm: LayeredAlarm | None, trial: Trial | None) -> dict[str, Any] | None:
    if alarm is None or trial is None:
        return None
    at = alarm.origins.get(trial.edit.field, alarm.at)
    return {
        "file": at.file,
        "line": at.line,
        "ships": not at.site,
        "field": trial.edit.field,
        "old": trial.edit.old,
        "new": trial.edit.new,
        "alarms": trial.alarms,
        "gone": trial.gone,
        "true_told": len(trial.later_ms),
        "latest_s": max(trial.later_ms, default=0) / 1000,
        "passing_not_told": len(trial.unheard),
        "stood_longer_s": trial.longer_ms / 1000,
    }
