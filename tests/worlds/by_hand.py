"""A pipeline over a real journal, driven by hand: messages in, time passing, commits, and what is then stored."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from collector.alarms.model import Rule
from collector.config.lab_file import read_lab
from collector.delivery.servers import MailServer
from collector.domain.lab import Lab
from collector.intake.inbox import IncomingMessage
from collector.pipeline.building import build_pipeline
from collector.pipeline.notices import Outlet
from collector.pipeline.pipeline import Pipeline
from collector.store.journal import Journal
from tests.worlds.home import HOT_AT_ONCE, LAB, hot_pack
from tests.worlds.rules import read_rules
from tests.worlds.values import T0

START = T0
"""2026-03-02T08:00:00Z."""
MAIL = MailServer(
    host="mail.quillbrook.example",
    port=25,
    username=None,
    password=None,
    security="none",
    sender="traywarden@quillbrook.example",
    ca_file=None,
)

SILENT_SOON = """\
  probe-silent:
    kind: silent
    setpoint: 10 min
    on_delay: 0 s
    off_delay: 0 s
    priority: low
    consequence: Nobody sees what happens in the tray.
    corrective_action: Look at the probe and its battery.
    time_to_respond: 1 d
    basis: made up for a test
"""
DRY_LATER = """\
  bedding-dry:
    kind: low
    measure: bedding_moisture
    setpoint: 60 %
    deadband: 2 %
    on_delay: 3 min
    off_delay: 2 min
    priority: medium
    consequence: Worms breathe through a wet skin.
    corrective_action: Spray a cup of water over the tray.
    time_to_respond: 12 h
    basis: made up for a test
"""
RULES = HOT_AT_ONCE + SILENT_SOON + DRY_LATER


def rules_of(text: str = RULES) -> tuple[Rule, ...]:
    return tuple(read_rules({"rules/site.yaml": text}))


class ByHand:
    """`restart()` builds everything anew from the journal, as a start does."""

    def __init__(self, folder: Path, rules: Sequence[Rule] | None = None, lab_text: str = LAB) -> None:
        folder.mkdir(exist_ok=True)
        self.database = folder / "traywarden.db"
        self.lab: Lab = read_lab(lab_text, "lab.yaml")
        self.rules = rules_of() if rules is None else rules
        self.now_ms = START
        self.journal: Journal | None = None
        self.restart()

    def restart(self) -> None:
        self.close()
        self.journal = Journal(self.database, self.lab.time_zone, self.now_ms)
        self.pipeline: Pipeline = build_pipeline(self.lab, self.rules, self.journal, Outlet(mail=MAIL), self.now_ms)

    def close(self) -> None:
        if self.journal is not None:
            self.journal.close()

    def say(
        self, topic: str, payload: str | bytes, *, mid: int = 1, again: bool = False, retained: bool = False
    ) -> None:
        data = payload.encode() if isinstance(payload, str) else payload
        self.pipeline.intake.accept(
            IncomingMessage(topic=topic, payload=data, mid=mid, redelivered=again, retained=retained), self.now_ms
        )

    def tray(self, minutes: float, celsius: float, moisture: float = 0.76) -> None:
        """Juniper's top tray says both values for so many minutes after the start."""
        self.say("worms/juniper/top", hot_pack(START / 1000 + minutes * 60, celsius, moisture))

    def settle(self, at_minutes: float | None = None) -> None:
        if at_minutes is not None:
            self.now_ms = START + round(at_minutes * 60_000)
        self.pipeline.settle(self.now_ms)

    def told(self) -> list[str]:
        """What people are told now, and since the last commit: the subjects."""
        self.pipeline.release(self.now_ms)
        return [message.subject for message in self.pipeline.batch.messages]

    def commit(self) -> None:
        self.settle()
        self.pipeline.release(self.now_ms)
        if self.journal is not None and not self.pipeline.batch.empty:
            self.journal.commit(self.pipeline.batch, self.now_ms)
        self.pipeline.start_batch()

    def ask(self, query: str) -> list[tuple[object, ...]]:
        """What an outsider with SQLite alone finds."""
        with closing(sqlite3.connect(f"{self.database.as_uri()}?mode=ro", uri=True)) as db:
            return db.execute(query).fetchall()

    def rows(self, channel: str = "temperature", probe: str = "juniper-top") -> list[tuple[object, ...]]:
        """Minutes after the start, value, flag, why."""
        found = self.ask(
            "SELECT t, value, flag, why FROM readings JOIN series s ON s.id = series"  # noqa: S608 - made up above
            f" WHERE probe = '{probe}' AND channel = '{channel}' ORDER BY t"
        )
        return [((int(str(t)) - START) / 60_000, *rest) for t, *rest in found]

    def history(self) -> list[tuple[object, ...]]:
        """(rule, place, event, minutes)."""
        found = self.ask("SELECT rule, place, event, t_ms FROM alarm_history ORDER BY id")
        return [(rule, place, event, (int(str(t)) - START) / 60_000) for rule, place, event, t in found]

    def counters(self) -> dict[str, int]:
        """Those that are not nought."""
        assert self.journal is not None
        return {name: number for name, number in self.journal.counters().items() if number}
