"""A scenario of the simulator played through the collector's own pipeline, without broker, sockets or waiting.

What the probes send goes through intake, calibration, quality, journal, alarms and desk as it does live, on the lab's
time; a teacher acknowledges what arrives while awake, and a class notes what it does. What people were told comes out,
beside the simulator's truth.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from collector.alarms.model import AlarmKey, Rule
from collector.config.home import Home
from collector.delivery.sender import Patience
from collector.husbandry.moisture import water_to_add_l
from collector.husbandry.watering import GOAL_PCT
from collector.intake.inbox import IncomingMessage
from collector.letters.advice import advice
from collector.letters.facts import LetterFacts
from collector.letters.letter import Letter, alarm_letter
from collector.pipeline.building import build_pipeline
from collector.pipeline.lab_facts import LetterSources
from collector.pipeline.notices import Outlet
from collector.pipeline.pipeline import Pipeline
from collector.reports.digest_alarms import Standing
from collector.reports.digest_view import digest_view, due_day
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.requests import Acknowledge, BookRequest, BrewEnd, BrewStart, DiaryAdd
from collector.telling.message_plan import Item, MessagePlan
from collector.telling.notice import Reason
from sim_sensors import lab_file
from sim_sensors.brewing import spans
from sim_sensors.pack import Fact, Pack
from sim_sensors.run import run
from sim_sensors.scenario import Scenario
from sim_sensors.varying import varied

MIN_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
START_MS = 1_772_409_600_000
"""2026-03-02T00:00:00Z, a Monday."""
_TURN_MS, _BREW_TURN_MS = 10 * MIN_MS, MIN_MS
"""How often the pipeline turns: alarms have their own times whatever the chunks, but what is told waits for a turn, and
at a brew minutes count."""
_COMMIT_MS = HOUR_MS
_LAG_MS = 5_000
_LINK_SECRET = "spoken by nobody"
_SEEN_MS = 20 * MIN_MS
"""A teacher who is awake has read a message after this long."""
_CLASS = "class 4b"


@dataclass(frozen=True, slots=True)
class Told:
    """One alarm in one message to one person."""

    t_ms: int
    role: str
    rule: str
    place: str
    probe: str
    event: str
    why: str
    since_ms: int
    came_and_went: bool
    priority: str
    subject: str
    advised_l: float | None = None
    span_ms: tuple[int, int] | None = None
    """Between which moments it says that a limit will be passed."""


class Poured(NamedTuple):
    """An amount of water advised in all, and what the truth needed then to come to the same goal."""

    place: str
    t_ms: int
    advised_l: float
    needed_l: float

    @property
    def off_pct(self) -> float:
        return 100 * abs(self.advised_l - self.needed_l) / self.needed_l


@dataclass(slots=True)
class Played:
    told: list[Told] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    poured: list[Poured] = field(default_factory=list)
    messages: int = 0
    days: float = 0.0
    rules: tuple[Rule, ...] = ()


class _Scribe:
    """Writes what the desk hands out, and keeps it."""

    def __init__(self) -> None:
        self.plans: list[tuple[int, MessagePlan, str, LetterFacts]] = []

    def write(self, plan: MessagePlan, facts: LetterFacts, now_ms: int) -> Letter:
        letter = alarm_letter(plan, facts, now_ms)
        self.plans.append((now_ms, plan, letter.subject, facts))
        return letter


Morning = Callable[[Pipeline, Reader, Sequence[Rule], int], None]
"""Asked each school morning, when all that came is committed: (pipeline, what is stored, rules, now)."""


def play(
    scenario: Scenario,
    seed: int,
    folder: Path,
    start_ms: int | None = None,
    board_url: str = "",
    for_ms: int | None = None,
    answers: Sequence[tuple[int, Acknowledge]] = (),
    turn_ms: int = _TURN_MS,
    brew_turn_ms: int = _BREW_TURN_MS,
    morning: Morning | None = None,
) -> Played:
    """The scenario as the seed has it, from its own beginning, whole or its first `for_ms`. `folder` holds the journal;
    with `board_url` messages hold links. `answers`: so long after the beginning (ms) somebody acknowledges. The
    pipeline turns each `turn_ms`, or `brew_turn_ms` while something brews."""
    scenario = varied(scenario, seed)
    start_ms = (scenario.start_ms or START_MS) if start_ms is None else start_ms
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "lab.yaml").write_text(lab_file.text(scenario, start_ms), encoding="utf-8")
    home = Home(folder)
    lab, rules = home.load_lab(), home.load_rules()
    with Journal(home.database, lab.time_zone, start_ms) as journal:
        scribe = _Scribe()
        sources = LetterSources(journal.hourly_means, board_url, _LINK_SECRET)
        pipeline = build_pipeline(lab, rules, journal, Outlet(sources=sources, write=scribe.write), start_ms)
        pipeline.link_changed(True, start_ms, "connected")
        player = _Player(scenario, pipeline, journal, scribe, rules, start_ms)
        player.turn_ms, player.brew_turn_ms, player.morning = turn_ms, brew_turn_ms, morning
        player.played.rules = tuple(rules)
        for at_ms, answer in answers:
            player.answer(start_ms + at_ms, answer)
        player.play(run(scenario, seed, start_ms, scenario.length_ms if for_ms is None else for_ms))
        return player.played


class _Player:
    """Turns the pipeline once a minute of lab time."""

    def __init__(
        self,
        scenario: Scenario,
        pipeline: Pipeline,
        journal: Journal,
        scribe: _Scribe,
        rules: Sequence[Rule],
        start_ms: int,
    ) -> None:
        self.played = Played(days=scenario.length_ms / DAY_MS)
        self.turn_ms, self.brew_turn_ms = _TURN_MS, _BREW_TURN_MS
        self.morning: Morning | None = None
        self._pipeline = pipeline
        self._journal = journal
        self._scribe = scribe
        self._now_ms = start_ms
        self._committed_ms = start_ms
        self._digested = ""
        self._rules = rules
        self._brewing: list[tuple[int, int]] = []
        self._away = tuple(start_ms + at for at in scenario.mail_away or (0, 0))
        self._truth: dict[str, Fact] = {}
        self._to_do: list[tuple[int, Callable[[], None]]] = []
        self._plan_brews(scenario, start_ms)

    def play(self, packs: Iterator[Pack]) -> None:
        for pack in packs:
            while pack.t_ms >= self._next_ms():
                self._turn(self._next_ms())
            for fact in pack.facts:
                self._learn(fact)
            self._pipeline.intake.accept(
                IncomingMessage(topic=pack.topic, payload=pack.payload, retained=pack.retain),
                pack.t_ms,
            )
        self._turn(self._next_ms())
        self._commit()

    def _next_ms(self) -> int:
        """When the next turn is."""
        brewing = any(begin <= self._now_ms < end for begin, end in self._brewing)
        return self._now_ms + (self.brew_turn_ms if brewing else self.turn_ms)

    def _turn(self, now_ms: int) -> None:
        self._now_ms = now_ms
        pipeline = self._pipeline
        pipeline.settle(now_ms)
        pipeline.tick(now_ms - _LAG_MS)
        while self._to_do and self._to_do[0][0] <= now_ms:
            self._to_do.pop(0)[1]()
        pipeline.release(now_ms)
        self._note_plans()
        self._digest()
        if now_ms - self._committed_ms >= _COMMIT_MS:
            self._commit()

    def _digest(self) -> None:
        """What the digest of a school morning says, as the collector gathers it."""
        day = due_day(self._pipeline.lab, self._digested, self._now_ms)
        if day is None:
            return
        self._commit()
        with Reader(self._journal.path) as reader:
            view = digest_view(self._pipeline.lab, self._rules, reader, self._now_ms - DAY_MS, self._now_ms)
            if self.morning is not None:
                self.morning(self._pipeline, reader, self._rules, self._now_ms)
        self._digested = day.isoformat()
        for one in view.standing:
            self.played.told.append(_in_digest(one, self._arrives_ms(self._now_ms)))

    def _commit(self) -> None:
        self.played.messages += len(self._pipeline.batch.messages)
        self._journal.commit(self._pipeline.batch, self._now_ms)
        self._pipeline.start_batch()
        self._journal.tidy(self._now_ms)
        self._committed_ms = self._now_ms

    # People

    def _note_plans(self) -> None:
        for t_ms, plan, subject, facts in self._scribe.plans:
            for item in plan.items:
                self._note_item(t_ms, plan, item, subject, facts)
        self._scribe.plans.clear()

    def _note_item(self, t_ms: int, plan: MessagePlan, item: Item, subject: str, facts: LetterFacts) -> None:
        change = item.transition
        t_ms = self._arrives_ms(t_ms)
        told = Told(
            t_ms=t_ms,
            role=plan.person.role,
            rule=item.rule.name,
            place=item.series.place,
            probe=item.series.probe,
            event=change.event.value,
            why=item.why.value,
            since_ms=change.since_ms if change.since_ms is not None else change.t_ms,
            came_and_went=item.ended is not None,
            priority=item.rule.priority.value,
            subject=subject,
            span_ms=None if change.outlook is None else (change.outlook.early_ms, change.outlook.late_ms),
        )
        if change.annunciates and item.ended is None:
            if item.why is Reason.NEWS:
                told = replace(told, advised_l=self._advised_l(item, facts))
            if plan.person.turn == 1:
                self._will_acknowledge(t_ms, change.key, item.series.place)
        self.played.told.append(told)

    def _arrives_ms(self, t_ms: int) -> int:
        """When a message is with its reader: what waits for a mail server is tried again after the longest wait, at
        worst."""
        begin_ms, end_ms = self._away
        return end_ms + Patience().longest_ms if begin_ms <= t_ms < end_ms else t_ms

    def _advised_l(self, item: Item, facts: LetterFacts) -> float | None:
        """What the letter would have poured now, by which it is safe or not; and beside what it says in all, what the
        truth needs."""
        amount = advice(item.rule, item.series, facts, self._now_ms)
        truth = self._truth.get(item.series.place)
        if amount is None or not amount.deed.today_l or truth is None:
            return None
        dry_kg, moisture = (float(str(truth.values[name])) for name in ("dry_kg", "moisture_pct"))
        needed = water_to_add_l(dry_kg, moisture, GOAL_PCT)
        if needed and not amount.deed.look_again:
            told_l = round(amount.deed.total_l, 1)
            self.played.poured.append(Poured(item.series.place, self._now_ms, told_l, needed))
        return round(amount.deed.today_l, 1)

    def _will_acknowledge(self, t_ms: int, key: AlarmKey, place: str) -> None:
        """After a while, by day."""
        at_ms = t_ms + _SEEN_MS
        hour = at_ms % DAY_MS // HOUR_MS
        if not 7 <= hour < 21:
            at_ms += ((7 - hour) % 24) * HOUR_MS
        self.answer(at_ms, Acknowledge(rule=key.rule, place=place, by="teacher"))

    def answer(self, at_ms: int, seen: Acknowledge) -> None:
        """Somebody presses the button in a message then."""
        self._do_at(at_ms, lambda: self._pipeline.order(seen, self._now_ms))

    def _do_at(self, at_ms: int, what: Callable[[], object]) -> None:
        def do() -> None:
            what()

        self._to_do.append((at_ms, do))
        self._to_do.sort(key=lambda one: one[0])

    def _plan_brews(self, scenario: Scenario, start_ms: int) -> None:
        """A class notes when it starts a brew, ends it and uses the tea."""
        for brewer in scenario.brewers:
            mine = [brew for brew in scenario.brews if brew.place == brewer.place]
            faults = [fault for fault in scenario.faults if fault.place == brewer.place]
            for span in spans(mine, faults):
                self._brewing.append((start_ms + span.begin_ms, start_ms + span.used_ms))
                used = DiaryAdd(kind="tea-used", place=brewer.place, amount="5 L", by=_CLASS)
                self._note_at(start_ms + span.begin_ms, BrewStart(place=brewer.place, by=_CLASS))
                self._note_at(start_ms + span.end_ms, BrewEnd(place=brewer.place, by=_CLASS))
                self._note_at(start_ms + span.used_ms, used)

    def _note_at(self, at_ms: int, request: BookRequest) -> None:
        self._do_at(at_ms, lambda: self._pipeline.note(request, self._now_ms, self._now_ms))

    # Truth

    def _learn(self, fact: Fact) -> None:
        self.played.facts.append(fact)
        if fact.kind == "state":
            self._truth[fact.place] = fact
        if fact.kind == "care":
            self._note_care(fact)

    def _note_care(self, fact: Fact) -> None:
        kg = float(str(fact.values["kg"]))
        kind, unit = {"water": ("watered", "L"), "feed": ("fed", "kg"), "empty": ("drained", "L")}[fact.name]
        entry = DiaryAdd(kind=kind, place=fact.place, amount=f"{max(kg, 0.001):.3f} {unit}", by=_CLASS)
        self._pipeline.note(entry, self._now_ms, self._now_ms)


def _in_digest(one: Standing, t_ms: int) -> Told:
    series, rule = one.series, one.rule
    told = Told(t_ms, "teacher", rule.name, series.place, series.probe, "raised", "digest", one.since_ms, False, "", "")
    return replace(told, priority=rule.priority.value)
