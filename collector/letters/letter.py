"""A whole message to one person, from the plan that the desk made: its subject, its text, the same in HTML, a short
form for chat, and what to draw."""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from collector.alarms.kinds.kind import About
from collector.alarms.kinds.setpoint import VALUE
from collector.alarms.kinds.table import kind_of
from collector.alarms.model import Priority
from collector.letters.facts import LetterFacts
from collector.letters.form.blocks import Block, Bullets, Fields, Heading, Lead, Passage, Section, plain_text
from collector.letters.form.html import page
from collector.letters.form.text import ItemText
from collector.letters.happened import URGENCY
from collector.letters.matter import Matter, Outcome, matter_of
from collector.letters.plain import one_line
from collector.telling.message_plan import MessagePlan

IN_DETAIL = 20
"""So many alarms of one message are told whole; further ones have a line each."""
SHORT = 600
"""Letters of the short form at most."""
_SUBJECT = 160
_DRAWN = (About.LEVEL, About.GAP, About.COURSE)
"""What a picture of the readings explains."""
_WORST_FIRST = (Priority.HIGH, Priority.MEDIUM, Priority.LOW)
_OUTCOMES = {
    Outcome.CAME_AND_WENT: "came and went",
    Outcome.BACK_TO_NORMAL: "back to normal",
    Outcome.LESS_URGENT: "less urgent",
    Outcome.CHANGED: "other changes",
}
"""How they are counted, in the order of the count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """A message before it is addressed. `body` ends with a line break."""

    subject: str
    body: str
    html: str
    short: str
    """For chat, where the subject stands above it; SHORT letters at most."""
    picture: str = ""
    """What to draw, as JSON for `picture.Wanted`; empty: nothing."""


def alarm_letter(plan: MessagePlan, facts: LetterFacts, now_ms: int) -> Letter:
    """The message of a plan. The same plan, facts and time give the same one."""
    items = list(_items(plan, facts, now_ms))
    drawn = _drawn(items)
    subject, blocks = _one(items[0], plan, drawn) if len(items) == 1 else _several(items, plan, drawn)
    picture = _picture(drawn, facts, now_ms)
    return Letter(
        subject=subject, body=plain_text(blocks), html=page(subject, blocks), short=_short(items, plan), picture=picture
    )


def report_letter(subject: str, parts: Sequence[Section]) -> Letter:
    """A digest or a weekly report: a title and lines for each part."""
    line = one_line(subject, _SUBJECT)
    lead = parts[0].lines[0] if parts and parts[0].lines else "Nothing to tell."
    bullets = [Bullets(part.title, part.lines) for part in parts]
    blocks: list[Block] = [Heading(line), *bullets] if parts else [Heading(line), Passage("", (lead,))]
    told = [f"{part.title}: {'; '.join(line.removesuffix('.') for line in part.lines)}" for part in parts]
    html = page(line, [Lead(one_line(lead, 140)), *blocks])
    return Letter(subject=line, body=plain_text(blocks), html=html, short=_cut("\n".join(told) or lead))


def _items(plan: MessagePlan, facts: LetterFacts, now_ms: int) -> Iterator[ItemText]:
    """What to do about the water of a tray is said at the first of its alarms."""
    told: set[tuple[str, str]] = set()
    for planned in plan.items:
        item = ItemText(matter_of(planned, facts, plan.person, now_ms))
        water = (planned.series.place, item.to_do.water if item.matter.calls else "")
        yield replace(item, said=bool(water[1]) and water in told)
        told.add(water)


def _one(item: ItemText, plan: MessagePlan, drawn: ItemText | None) -> tuple[str, list[Block]]:
    happened = item.happened
    head: list[Block] = [Lead(item.lead()), Heading(happened.title, happened.urgency)]
    blocks = [*head, *item.blocks(_others(plan), item is drawn), *_waited(plan), *_weigh([item])]
    return one_line(f"{happened.urgency}: {happened.subject}", _SUBJECT), blocks


def _several(items: Sequence[ItemText], plan: MessagePlan, drawn: ItemText | None) -> tuple[str, list[Block]]:
    live, gone = _live(items), [item for item in items if _came_and_went(item)]
    whole, rest = live[:IN_DETAIL], live[IN_DETAIL:]
    title, first = _counted(items), items[0].happened
    if items[0].matter.calls:  # what to do comes first
        lead = f"{items[0].lead()} {first.headline}. {title}."
    else:
        lead = f"{title}. First: {first.headline}. {items[0].lead()}"
    blocks: list[Block] = [Lead(lead), Heading(title), *_waited(plan)]
    blocks.append(Fields((("Also told", f"{_others(plan)} (of the first)"),)))
    for item in whole:
        head = Heading(item.happened.title, item.happened.urgency, 2)
        blocks += [head, *item.blocks(picture=item is drawn)]
    blocks += _list("Further ones, worst first", (item.line() for item in rest))
    blocks += _list("Came and went", (item.line() for item in gone))
    blocks += _weigh(whole)
    more = f"; and {len(items) - 1} more"
    return one_line(f"{first.urgency}: {first.subject}", _SUBJECT - len(more)) + more, blocks


def _came_and_went(item: ItemText) -> bool:
    return item.matter.outcome is Outcome.CAME_AND_WENT


def _live(items: Sequence[ItemText]) -> list[ItemText]:
    return [item for item in items if not _came_and_went(item)]


def _list(title: str, lines: Iterable[str]) -> list[Block]:
    told = tuple(one_line(line, 200) for line in lines)
    return [Bullets(f"{title} ({len(told)})", told)] if told else []


def _counted(items: Sequence[ItemText]) -> str:
    """'5 alarms, worst first: 2 urgent, 1 soon, 1 back to normal, 1 came and went'."""
    calls = [item.matter.rule.priority for item in items if item.matter.calls]
    outcomes = [item.matter.outcome for item in items]
    counts = [(calls.count(priority), URGENCY[priority].lower()) for priority in _WORST_FIRST]
    counts += [(outcomes.count(outcome), words) for outcome, words in _OUTCOMES.items()]
    told = ", ".join(f"{count} {what}" for count, what in counts if count)
    return f"{len(items)} alarms, worst first: {told}"


def _others(plan: MessagePlan) -> str:
    return ", ".join(one_line(role, 60) for role in plan.others) or "nobody else"


def _waited(plan: MessagePlan) -> list[Block]:
    told = []
    if plan.catching_up:
        told.append("The collector had been away or had a backlog to read; this is what it found, told together.")
    if plan.held:
        many = "1 of these" if plan.held == 1 else f"{plan.held} of these"
        told.append(f"{many} waited because enough messages had gone to you within the hour. None is left out.")
    return [Passage("", tuple(told))] if told else []


def _weigh(items: Sequence[ItemText]) -> list[Block]:
    """How to get better amounts, once in a message."""
    places = dict.fromkeys(item.matter.place for item in items if item.matter.calls and item.to_do.estimated)
    if not places:
        return []
    told = (
        f"Amounts for {'; '.join(places)} are estimates: lab.yaml does not say what the bedding there weighs. Write"
        " for instance 'bedding: 5 kg' at the tray, the mass as it is when moist."
    )
    return [Passage("", (told,))]


def _short(items: Sequence[ItemText], plan: MessagePlan) -> str:
    """The link last and whole, the rest cut to what is left."""
    link = items[0].to_do.link
    tail = f"\nAcknowledge: {link}" if link else ""
    told = [items[0].short(alone=len(items) == 1)]
    told += [f"- {item.line()}" for item in items[1:]]
    told += [part for block in _waited(plan) if isinstance(block, Passage) for part in block.paragraphs]
    tail = (f"\nAlso told: {_cut(_others(plan), 80, '…')}." if items[0].matter.calls else "") + tail
    return _cut("\n".join(told), SHORT - len(tail), f"…\n{_rest(items, link)}") + tail


def _rest(items: Sequence[ItemText], link: str) -> str:
    """Where what is cut off can be read."""
    if len(items) > 1:
        return "All of them: traywarden alarms list"
    return "More is on the page behind the link." if link else f"More: traywarden rules list {items[0].to_do.alarm}"


def _cut(text: str, longest: int = SHORT, note: str = "… (cut short)") -> str:
    """At most so many letters, ending with a whole word and `note` where something is left out."""
    if len(text) <= longest:
        return text
    kept = text[: max(0, longest - len(note))]
    return (kept.rpartition(" ")[0] or kept).rstrip() + note


def _drawn(items: Sequence[ItemText]) -> ItemText | None:
    """The first that a picture of its readings explains, among those told whole."""
    return next((item for item in _live(items)[:IN_DETAIL] if _explained(item.matter)), None)


def _explained(matter: Matter) -> bool:
    """Whether its readings make a line over time that shows what is wrong."""
    line = matter.trouble.of_readings and not matter.trouble.switch
    return line and matter.calls and kind_of(matter.rule).about in _DRAWN


def _picture(item: ItemText | None, facts: LetterFacts, now_ms: int) -> str:
    if item is None:
        return ""
    rule, series = item.matter.rule, item.matter.series
    wanted: dict[str, Any] = {
        "series": series.id,
        "measure": series.measure,
        "title": f"{item.matter.place}: {item.matter.trouble.measure}",
        "until_ms": now_ms,
        "setpoint": rule.setpoint if kind_of(rule).setpoint is VALUE else None,
        "us": facts.lab.us_units,
        "zone": facts.lab.time_zone,
    }
    return json.dumps(wanted, sort_keys=True)
