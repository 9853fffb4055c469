"""`watch`: the loop that carries readings from the broker into the journal and alarms out to people.

One thread reads, judges and commits; two send messages; apscheduler's only asks for upkeep. Signals and the scheduler
set flags and the loop acts. A damaged journal is answered like a crash: close without acknowledging, rebuild, connect.
"""

import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from queue import Empty, SimpleQueue

from apscheduler.schedulers.background import BackgroundScheduler
from paho.mqtt.client import MQTTMessage

from collector.config.changed_files import Files
from collector.config.clock import Now
from collector.config.home import Home
from collector.config.rule_layers import RuleSet
from collector.config.settings import Settings
from collector.domain.own_series import SELF_EVERY_MS
from collector.domain.readings import FUTURE_TOLERANCE_MS
from collector.intake.inbox import Message
from collector.intake.session import Link, LinkNews, Session
from collector.pipeline.building import rejudge
from collector.reports.due import REPORTS_EVERY_S, reports_of
from collector.store.errors import JournalDamaged, JournalStalled, StoreError
from collector.store.homelock import HomeLock
from collector.store.vocabulary import LAB_CHANGED, EventKind
from collector.store.watch_state import WatchState, write_state
from collector.watch.answering import Answers
from collector.watch.assemble import Parts, assemble, pulse_of
from collector.watch.catching_up import CATCH_UP_S, CAUGHT_UP_S, CatchingUp
from collector.watch.pacing import Pacer
from collector.watch.self_check import SelfCheck
from collector.watch.service_manager import SILENT, ServiceManager
from collector.watch.uplinking import uplinking

BATCH_MESSAGES = 2_000
HOLD_AT = 8_000
"""Messages held while the journal cannot be written; from here on the socket is left unread and TCP holds the rest."""
HOLD_ROWS = 100_000
"""The same for readings, of which one message may carry thousands."""
TICK_LAG_MS = 5_000
"""Timers are let end this far behind the clock, so that a reading on its way is not overtaken by them."""
_GATHER_S = 0.003
_REQUESTS_EVERY_S = 0.5
STATE_EVERY_S = 60.0
_FILES_EVERY_S = 2.0
_MOST_WAIT_S = 0.5
_RETRY_S = (1.0, 30.0)
TIDY_EVERY_S = 300
_LATE_JOB_S = 3_600
"""Upkeep whose time passed while the machine was busy or asleep is still done within this."""


@dataclass(slots=True)
class _Stall:
    """The journal cannot be written at present."""

    reason: str
    since_ms: int
    retry_at: float
    backoff_s: float


class Daemon:
    """One run of `watch`. `log` gets one line per thing worth knowing; `now` is the only clock."""

    def __init__(
        self,
        home: Home,
        settings: Settings,
        now: Now,
        log: Callable[[str], None],
        tick_lag_ms: int = TICK_LAG_MS,
        pace: float = 1.0,
        manager: ServiceManager = SILENT,
    ) -> None:
        """`pace`: how fast `now` runs against real time."""
        self._manager = manager
        self._tick_lag_ms, self._pace = tick_lag_ms, pace
        self.home = home
        self.settings = settings
        self.now = now
        self.log = log
        self.parts: Parts
        self._session: Session
        self._stop = threading.Event()
        self._jobs: SimpleQueue[str] = SimpleQueue()
        self._mids: list[int] = []
        self._held = 0
        self._since_s = 0.0
        self._stall: _Stall | None = None
        self._link_trouble = "not connected yet"
        self._refused = ""
        self._requests_at = self._state_at = self._files_at = 0.0
        self._files: Files
        self._rules: RuleSet
        self._again = self._asked = self._reports_asked = False
        self._damage = ""
        self._catching_up = CatchingUp()
        self._pulse = pulse_of(settings, now, log)

    def stop(self) -> None:
        """Ask the loop to end; safe from a signal handler or another thread."""
        self._stop.set()
        self._wake()

    def reload(self) -> None:
        """Ask the loop to read lab.yaml and the rules again; safe from a signal handler or another thread."""
        self._asked = True
        self._wake()

    def _wake(self) -> None:
        session: Session | None = getattr(self, "_session", None)
        if session is not None:  # a long start (salvage) has none yet
            session.wake()

    def run(self) -> None:
        """Collect until `stop`. Raises Refused where lab.yaml or rules cannot be used, StoreError for the journal."""
        if not self.home.path.is_dir():
            raise StoreError(f"{self.home.path}: no such folder; make it with: traywarden init --home {self.home.path}")
        with HomeLock(self.home.path):
            self._files = Files(self.home, self.log)
            late = {"coalesce": True, "misfire_grace_time": _LATE_JOB_S}
            scheduler = BackgroundScheduler(timezone="UTC", job_defaults=late)
            scheduler.add_job(self._ask, "interval", ("tidy",), seconds=TIDY_EVERY_S)
            scheduler.add_job(self._ask, "interval", ("self-check",), seconds=SELF_EVERY_MS // 1000)
            scheduler.add_job(self._ask, "interval", ("reports",), seconds=max(1, REPORTS_EVERY_S / self._pace))
            scheduler.add_job(self._ask, "cron", ("retention",), hour=3, minute=17)
            scheduler.start()
            self._pulse.start()
            try:
                while not self._stop.is_set():
                    self._run_once()
            finally:
                self._manager.stopping()
                self._pulse.close()
                scheduler.shutdown(wait=False)

    def _ask(self, job: str) -> None:
        self._jobs.put(job)
        self._wake()

    def _run_once(self) -> None:
        why = LAB_CHANGED if self._again else ""
        self._again, self._rules = False, self._files.rules
        self.parts = assemble(
            self.home, self.settings, self._files.lab, self._rules.rules, self.now, self.log, self._damage
        )
        self._damage = ""
        self._mids, self._held, self._stall = [], 0, None
        self._pacer = Pacer(time.monotonic())
        ids, unsaid_ms = self.parts.pipeline.ids, self.parts.dead.oldest_unsaid_ms
        self._self_check = SelfCheck(self.home.path, self.parts.journal, ids, self._pace, unsaid_ms)
        self._reports = reports_of(self.home, self.settings, self.parts.lab, self.parts.journal)
        self._jobs.put("reports")
        self._answers = Answers(self.parts.journal, self.parts.pipeline, self.log)
        self._catching_up.begin(time.monotonic(), CATCH_UP_S)
        told = self._pulse.told
        self._session = Session(self.parts.broker, self._message, self._news, time.monotonic, on_told=told)
        self.parts.pipeline.batch.events.append((self.now(), EventKind.STARTED, why))
        self.parts.lanes.start()
        try:
            with uplinking(self.home, self.settings, self.parts.lab, self.now, self.log):
                while not self._stop.is_set() and not self._again:
                    self._turn()
            self._close_in_order()
        except JournalDamaged as error:
            self.log(f"journal damaged: {error}; setting it aside and starting again from what can be read")
            self._damage = error.reason
        finally:
            self._session.close()
            self.parts.close()

    def _close_in_order(self) -> None:
        pipeline = self.parts.pipeline
        pipeline.settle(self.now())
        pipeline.batch.events.append((self.now(), EventKind.STOPPED, ""))
        self._commit()
        if self._stop.is_set():
            self._pulse.stopping(self._session)
        self._write_state(stopped=True)

    def _turn(self) -> None:
        """One turn of the loop: read, judge, commit when due, look after the rest."""
        now_s = time.monotonic()
        if self._held < HOLD_AT and len(self.parts.pipeline.batch.rows) < HOLD_ROWS:
            self._pump(now_s)
        else:
            time.sleep(_MOST_WAIT_S)  # not a wait on the event, whose lock a signal handler could find taken
        pipeline, now_ms = self.parts.pipeline, self.now()
        pipeline.settle(now_ms)
        now_s = time.monotonic()
        if pipeline.engine.newest_ms() > now_ms + FUTURE_TOLERANCE_MS and self._stall is None:
            self.log("the clock was set back: judging anew from what is stored up to now")
            self._again = True
        gathering = self._catching_up.gathering(now_s)
        if not gathering:
            pipeline.tick(now_ms - self._tick_lag_ms)
        if now_s >= self._requests_at:
            self._requests_at = now_s + _REQUESTS_EVERY_S
            self._answers.take(now_ms)
            self.parts.dead.look(pipeline.batch, now_ms)
        if self._stall is None:  # else what comes meanwhile is told together, once it can be kept
            pipeline.release(now_ms, gathering)
        self._commit_if_due(now_s)
        self._do_jobs()
        if self._reports_asked and not gathering and self._stall is None:  # a backlog belongs into them
            self._report()
        self._pulse.turned(self._stall is None, self._session)
        self._manager.turned(self._stall is None)
        if now_s >= self._state_at:
            self._write_state()
        if now_s >= self._files_at or self._asked:
            self._files_at = now_s + _FILES_EVERY_S
            self._look_at_files()

    def _look_at_files(self) -> None:
        """Another lab.yaml is taken up by starting over with it, other rules in place."""
        if self._stall is not None:
            return
        asked, self._asked = self._asked, False
        self._files.look(asked)
        if self._files.lab is not self.parts.lab:
            self.log("lab.yaml changed: taken up")
            self._again = True
        elif self._files.rules is not self._rules:
            self._change_rules(self._files.rules)

    def _change_rules(self, rules: RuleSet) -> None:
        """All that has come is judged by the old rules and committed; then the new ones hold. If the journal cannot be
        written or read just now, the next look tries again."""
        pipeline, now_ms = self.parts.pipeline, self.now()
        pipeline.settle(now_ms)
        if self._waiting:
            self._commit()
        if self._stall is not None:
            return
        try:
            judging = rejudge(self.parts.lab, rules.rules, self.parts.journal, pipeline.engine.link, now_ms)
        except JournalStalled as error:
            self.log(f"changed rules put off: {error}")
            return
        pipeline.judge_by(judging, now_ms)
        self._rules = rules
        self.log(f"rules changed: {judging.change}; {len(rules.rules)} alarms in force")

    def _pump(self, now_s: float) -> None:
        """Read what is there; while messages keep coming, gather them into one batch."""
        intake = self.parts.pipeline.intake
        taken = got = self._session.pump(self._patience_s(now_s), BATCH_MESSAGES, lambda: intake.full)
        while got and self._held < BATCH_MESSAGES and not intake.full:
            got = self._session.pump(_GATHER_S, BATCH_MESSAGES, lambda: intake.full)
            taken += got
        self._catching_up.took(taken, time.monotonic())

    def _patience_s(self, now_s: float) -> float:
        wait_s = min(_MOST_WAIT_S, max(0.0, self._requests_at - now_s))
        if self._waiting and self._stall is None:
            wait_s = min(wait_s, self._pacer.wait_s(now_s, self._since_s, self._held, self.parts.pipeline.urgent))
        return wait_s

    @property
    def _waiting(self) -> bool:
        return self._held > 0 or not self.parts.pipeline.batch.empty

    def _message(self, message: MQTTMessage) -> None:
        if not self._held:
            self._since_s = time.monotonic()
        self._held += 1
        if message.qos:
            self._mids.append(message.mid)
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(topic that is not UTF-8)"
        taken = Message(topic, bytes(message.payload), message.mid if message.qos else 0, message.dup, message.retain)
        try:
            self.parts.pipeline.intake.accept(taken, self.now())
        except Exception as error:  # noqa: BLE001  one message must never end the collecting of all others
            self.parts.pipeline.intake.refuse(taken, self.now(), f"a mistake in the program: {error!r:.120}")
            self.log(f"a message on {topic[:200]!r} met a mistake in the program: {error!r:.300}")

    def _news(self, news: LinkNews) -> None:
        if news.link is Link.UP or news.text != self._refused:
            self.log(news.text)
        self._refused = "" if news.link is Link.UP else news.text
        was_up = not self._link_trouble
        self._link_trouble = "" if news.link is Link.UP else news.text
        if news.link is not Link.UP:
            self._mids.clear()  # they come again; an id from before the break may soon mean another message
        if news.link is Link.UP:  # what queued while we were away is judged before any timer runs out over it
            self._catching_up.begin(time.monotonic(), CAUGHT_UP_S)
        if was_up or news.link is Link.UP:
            self.parts.pipeline.link_changed(news.link is Link.UP, self.now(), news.text)
        self._state_at = 0.0

    def _commit_if_due(self, now_s: float) -> None:
        pipeline = self.parts.pipeline
        if not self._waiting:
            return
        if self._stall is not None:
            if now_s >= self._stall.retry_at:
                self._commit()
        elif self._pacer.wait_s(now_s, self._since_s, self._held, pipeline.urgent) <= 0:
            self._commit()

    def _commit(self) -> None:
        """One transaction; then, and only then, the acknowledgements."""
        pipeline = self.parts.pipeline
        told = bool(pipeline.batch.messages)
        try:
            self.parts.journal.commit(pipeline.batch, self.now())
        except JournalStalled as error:
            self._stalled(str(error))
            return
        self._session.acknowledge(self._mids)
        self._mids, self._held = [], 0
        pipeline.start_batch()
        self._pacer.committed(time.monotonic())
        self._since_s = time.monotonic()
        if told:
            self.parts.lanes.wake()
        if self._stall is not None:
            self._recovered(self._stall)

    def _stalled(self, reason: str) -> None:
        now_s = time.monotonic()
        if self._stall is None:
            self.log(f"journal cannot be written: {reason}; nothing is acknowledged until it can, the broker keeps it")
            self._stall = _Stall(reason, self.now(), now_s, _RETRY_S[0])
        stall = self._stall
        stall.reason = reason
        stall.retry_at = now_s + stall.backoff_s * random.uniform(0.7, 1.0)  # noqa: S311  spread, not secrecy
        stall.backoff_s = min(stall.backoff_s * 2, _RETRY_S[1])
        self._write_state()

    def _recovered(self, stall: _Stall) -> None:
        self._stall = None
        self.log("journal can be written again; nothing was lost")
        pipeline = self.parts.pipeline
        pipeline.batch.events.append((stall.since_ms, EventKind.JOURNAL_STALLED, stall.reason))
        pipeline.batch.events.append((self.now(), EventKind.JOURNAL_RECOVERED, ""))
        self._write_state()

    def _do_jobs(self) -> None:
        while self._stall is None:
            try:
                job = self._jobs.get_nowait()
            except Empty:
                return
            try:
                if job == "tidy":
                    self.parts.journal.tidy(self.now())
                elif job == "self-check":
                    own = self._self_check.readings(now_ms := self.now(), time.monotonic(), self._held)
                    self.parts.pipeline.take_own(own, now_ms)
                elif job == "reports":
                    self._reports_asked = True
                elif job == "retention":
                    done = self.parts.journal.retention(self.now(), self.settings.journal.keep_days)
                    if done.more:
                        self._jobs.put("retention")
                        return
            except JournalStalled as error:
                self.log(f"upkeep put off: {error}")
                return

    def _report(self) -> None:
        """The digest and the weekly report, where they are due: from the journal, so all that is judged goes there
        first."""
        now_ms = self.now()
        self._reports_asked = self._reports.wanted(now_ms)
        if self._reports_asked and self._waiting:
            self._commit()
        if not self._reports_asked or self._stall is not None:
            return
        self._reports_asked = False
        try:
            self.parts.journal.tidy(now_ms)
            written = self._reports.due(self._rules.rules, now_ms)
        except JournalDamaged:
            raise
        except StoreError as error:
            self.log(f"the digest is put off: {error}")
            return
        self.parts.pipeline.report(written.messages, written.meta, written.told, now_ms)

    def _write_state(self, stopped: bool = False) -> None:
        self._state_at = time.monotonic() + STATE_EVERY_S
        stalled = self._stall.reason if self._stall is not None else ""
        now_ms, trouble, beats = self.now(), self._link_trouble, self._pulse.tallies()
        state = WatchState(
            alive_ms=now_ms, stopped=stopped, link_trouble=trouble, backlog=self._held, stalled=stalled, heartbeat=beats
        )
        self._manager.says(stalled or f"broker: {state.link_words}")
        write_state(self.home.sign_of_life, state)
