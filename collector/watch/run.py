"""One run of the collector: from opening the journal until it is stopped, lab.yaml changes, or the journal is damaged.

Each turn of the loop reads what has come, judges it, does what is due by the clock, tells people and commits.
"""

from collections.abc import Callable, Sequence

from paho.mqtt.client import MQTTMessage

from collector.alarms.model import Rule
from collector.config.changed_files import WatchedFiles
from collector.config.rules.layers import RuleSet
from collector.delivery.reach import reach_now
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.readings import FUTURE_TOLERANCE_MS
from collector.intake.inbox import IncomingMessage
from collector.intake.session import BrokerSession, LinkNews, LinkState
from collector.pipeline.building import rejudge
from collector.reports.due import Written, due_reports_of
from collector.store.errors import JournalCutOff, JournalDamaged, JournalStalled, StoreError
from collector.store.requests import Reply
from collector.store.vocabulary import EventKind, MetaKey
from collector.store.watch_state import WatchState, read_state, write_state
from collector.telling.reach import reach_text, unwarned_words
from collector.watch.answering import Answers
from collector.watch.assemble import RunParts
from collector.watch.catching_up import CATCH_UP_S, CAUGHT_UP_S, CatchingUp
from collector.watch.commits import Commits
from collector.watch.forgotten import Forgotten, ask_to_save, linked_until_ms
from collector.watch.link_log import LinkLog
from collector.watch.self_check import SelfCheck
from collector.watch.surroundings import Surroundings
from collector.watch.upkeep import Schedule

BATCH_MESSAGES = 2_000
_GATHER_S = 0.003
_MOST_WAIT_S = 0.5
_WHATEVER_THE_JOURNAL = frozenset({"requests", "dead addresses", "state"})
"""Upkeep that goes on while the journal cannot be written."""


class Run:
    """`parts` stay their owner's to close. `files` are those the parts were made of."""

    def __init__(self, around: Surroundings, parts: RunParts, files: WatchedFiles) -> None:
        self._around, self._parts, self._files = around, parts, files
        self._lab, self._rules = files.lab, files.rules
        self._over = False
        self._unread = ""
        self._began_s = around.steady()
        self._pipeline = parts.pipeline
        self._pipeline.intake.catching_up = True
        self._session = BrokerSession(
            parts.broker, self._message, self._news, around.steady, on_told=around.pulse.told, wake=around.calls.wake
        )
        self._commits = Commits(around, parts.journal, parts.pipeline, self._session.acknowledge)
        self._link = LinkLog(around.log)
        self._forgotten = Forgotten(linked_until_ms(parts.journal.meta(), read_state(around.home.sign_of_life)))
        self._answers = Answers(parts.journal, parts.pipeline, around.log, self._ask_digest)
        self._reports = due_reports_of(around.home, around.settings, parts.lab, parts.journal)
        self._self_check = SelfCheck(
            folder=around.home.path,
            journal=parts.journal,
            numbers=parts.pipeline.numbers,
            pace=around.pace,
            unsaid_ms=parts.dead.oldest_unsaid_ms,
            unread=lambda: bool(around.slow_check.unread),
        )
        self._catching_up = CatchingUp(around.steady(), CATCH_UP_S)
        self._schedule = Schedule(around.times, around.steady(), around.now())
        for name in ("requests", "state", "files", "reports", "reach"):
            self._schedule.ask(name)
        self._upkeep: dict[str, Callable[[], object]] = {
            "requests": lambda: self._answers.take(around.now()),
            "dead addresses": lambda: parts.dead.look(parts.pipeline.batch, around.now()),
            "state": self._write_state,
            "tidy": lambda: parts.journal.tidy(around.now()),
            "self-check": self._check_self,
            "reports": self._report,
            "digest now": self._digest_now,
            "retention": self._forget_old,
            "reach": self._look_who_hears,
            "files": self._look_at_files,
            "slow check": self._check_slowly,
            "reload": lambda: self._look_at_files(asked=True),
        }

    def collect(self, why: str) -> bool:
        """Until it is over; whether another run should follow at once. `why` this one began, for the journal. Raises
        JournalCutOff and JournalDamaged, with nothing acknowledged that is not stored."""
        self._pipeline.batch.events.append((self._around.now(), EventKind.STARTED, why))
        while not self._around.calls.stopping and not self._over:
            self._turn()
        self._close_in_order()
        return self._over

    def close(self) -> None:
        """End the connection; the broker keeps what was not acknowledged."""
        self._session.close()

    def _close_in_order(self) -> None:
        self._pipeline.settle(self._around.now())
        self._pipeline.batch.events.append((self._around.now(), EventKind.STOPPED, ""))
        self._commit()
        stopping = self._around.calls.stopping  # else another run follows, and the collector was never away
        if stopping:
            self._around.pulse.stopping(self._session)
        self._write_state(stopped=stopping)

    def _turn(self) -> None:
        around, pipeline = self._around, self._pipeline
        self._read()
        now_ms = around.now()
        pipeline.settle(now_ms)
        if pipeline.engine.newest_ms() > now_ms + FUTURE_TOLERANCE_MS and not self._commits.stalled:
            around.log.warning("the clock was set back: judging anew from what is stored up to now")
            self._over = True
        gathering = self._catching_up.gathering(around.steady())
        if not gathering:
            pipeline.tick(now_ms - around.tick_lag_ms)
        self._do_upkeep(gathering)
        if not self._commits.stalled:  # else what comes meanwhile is told together, once it can be kept
            pipeline.release(now_ms, gathering)
        if self._commits.wait_s() <= 0:
            self._commit()
        around.pulse.turned(not self._commits.stalled, self._session)
        around.manager.turned(not self._commits.stalled)

    # From the broker

    def _read(self) -> None:
        """Read what is there; while messages keep coming, gather them into one batch."""
        if self._commits.full:
            self._around.calls.wake.wait(_MOST_WAIT_S)
            return
        intake, pump = self._pipeline.intake, self._session.pump
        taken = got = pump(self._patience_s(), BATCH_MESSAGES, lambda: intake.full)
        while got and self._commits.held < BATCH_MESSAGES and not intake.full:
            got = pump(_GATHER_S, BATCH_MESSAGES, lambda: intake.full)
            taken += got
        now_s = self._around.steady()
        self._catching_up.took(taken, now_s)
        if not self._link.trouble and not self._catching_up.gathering(now_s):
            intake.catching_up = False

    def _patience_s(self) -> float:
        return min(self._commits.wait_s(), self._schedule.wait_s("requests", self._around.steady()))

    def _message(self, message: MQTTMessage) -> None:
        packet_id = message.mid if message.qos else 0
        if not self._commits.held:
            self._around.observer.began()
        self._commits.took(packet_id)
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(topic that is not UTF-8)"
        taken = IncomingMessage(
            topic=topic, payload=bytes(message.payload), mid=packet_id, redelivered=message.dup, retained=message.retain
        )
        try:
            self._pipeline.intake.accept(taken, self._around.now())
        except Exception as error:  # noqa: BLE001  one message must never end the collecting of all others
            self._pipeline.intake.refuse(taken, self._around.now(), f"a mistake in the program: {error!r:.120}")
            self._around.log.error(f"a message on {topic[:200]!r} met a mistake in the program: {error!r:.300}")

    def _news(self, news: LinkNews) -> None:
        up = news.link is LinkState.UP
        if up:  # what queued while we were away is judged before any timer runs out over it
            self._catching_up.begin(self._around.steady(), CAUGHT_UP_S)
        else:
            self._commits.forget_ids()
        self._pipeline.intake.catching_up = news.kept or not up  # what waited comes before the news that it is up
        if up and not news.kept and (unsaid := ask_to_save(self._around.home.new_session, self._around.now())):
            self._around.log.warning(unsaid)
        if said := self._forgotten.heard(news, self._around.now()):
            self._around.log.warning(said)
            self._pipeline.batch.events.append((self._around.now(), EventKind.NEW_SESSION, said))
        if self._link.heard(news):
            self._pipeline.link_changed(up, self._around.now(), news.text)
        self._schedule.ask("state")
        self._around.observer.linked(news)

    # Into the journal

    def _commit(self) -> None:
        told, stalled = bool(self._pipeline.batch.messages), self._commits.stalled
        stored = self._commits.commit()
        if stalled or stored is None:  # how many messages are held changes too
            self._write_state()
        if stored is None:
            return
        if told:
            self._parts.lanes.wake()
        if stalled:  # more than it may send ahead waits there by now
            self._catching_up.begin(self._around.steady(), CAUGHT_UP_S)
            self._pipeline.intake.catching_up = True
        self._around.observer.stored(stored)

    # By the clock

    def _do_upkeep(self, gathering: bool) -> None:
        around = self._around
        for name in around.calls.asked():
            self._schedule.ask(name)
        for name in self._schedule.due(around.steady(), around.now()):
            if self._may(name, gathering):
                self._schedule.done(name, around.steady(), around.now())
                self._do(name)

    def _may(self, name: str, gathering: bool) -> bool:
        """What cannot be done now is done as soon as it can. A backlog belongs into the reports."""
        return name in _WHATEVER_THE_JOURNAL or not (self._commits.stalled or (gathering and name == "reports"))

    def _do(self, name: str) -> None:
        try:
            self._upkeep[name]()
        except JournalStalled as error:
            self._around.log.warning(f"upkeep put off: {error}")

    def _check_self(self) -> None:
        now_ms = self._around.now()
        own = self._self_check.readings(now_ms, self._around.steady(), self._commits.held)
        self._pipeline.take_own(own, now_ms)

    def _check_slowly(self) -> None:
        """A disk that cannot be read stays so for long, and the log says it once; the alarm is `journal-unreadable`."""
        try:
            self._around.slow_check.step()
        except JournalStalled as error:
            if str(error) != self._unread:
                self._around.log.warning(f"the slow check of the journal is put off: {error}")
            self._unread = str(error)

    def _forget_old(self) -> None:
        around = self._around
        running_s = around.steady() - self._began_s
        keep_days = around.settings.journal.keep_days
        if self._parts.journal.retention(around.now(), keep_days, running_s=running_s).more:
            self._schedule.ask("retention")

    def _look_who_hears(self) -> None:
        """A place of which nobody would hear is no fault that an alarm could tell: the log says it, and `status`."""
        settings = self._around.settings
        reach = reach_now(self._lab, mail_server_of(settings), chat_addresses_of(settings))
        alone = unwarned_words(reach, self._lab)
        if alone:
            self._around.log.warning(alone)
        self._pipeline.batch.meta[MetaKey.REACH] = reach_text(reach)

    def _report(self) -> None:
        """The digest and the weekly report, where they are due."""
        now_ms = self._around.now()
        if not self._reports.wanted(now_ms):
            return
        self._write_report("reports", self._reports.due, now_ms)

    def _ask_digest(self) -> Reply:
        """It is written at the next turn, from the journal, once what waits is in it."""
        roles = self._reports.hearers()
        if not roles:
            return Reply(False, "nobody in lab.yaml gets the digest; see 'people'")
        self._schedule.ask("digest now")
        return Reply(True, f"the digest goes to {', '.join(roles)} now")

    def _digest_now(self) -> None:
        self._write_report("digest now", self._reports.digest_now, self._around.now())

    def _write_report(self, name: str, write: Callable[[Sequence[Rule], int], Written], now_ms: int) -> None:
        """From the journal, so all that is judged goes there first."""
        if self._commits.waiting:
            self._commit()
        if self._commits.stalled:
            self._schedule.ask(name)
            return
        try:
            self._parts.journal.tidy(now_ms)
            written = write(self._rules.rules, now_ms)
        except (JournalCutOff, JournalDamaged):
            raise
        except StoreError as error:
            self._around.log.warning(f"the digest is put off: {error}")
            return
        if written.skipped:
            self._around.log(written.skipped)
        self._pipeline.report(written.messages, written.meta, written.told, now_ms)

    def _write_state(self, stopped: bool = False) -> None:
        around, stalled = self._around, self._commits.stalled
        state = WatchState(
            alive_ms=around.now(),
            stopped=stopped,
            link_trouble=self._link.trouble,
            backlog=self._commits.held,
            stalled=stalled,
            heartbeat=around.pulse.tallies(),
        )
        around.manager.says(stalled or f"broker: {state.link_words}")
        write_state(around.home.sign_of_life, state)

    # Other files

    def _look_at_files(self, asked: bool = False) -> None:
        """Another lab.yaml is taken up by starting over with it, other rules in place."""
        self._files.look(asked)
        if self._files.lab is not self._lab:
            self._around.log("lab.yaml changed: taken up")
            self._over = True
        elif self._files.rules is not self._rules:
            self._change_rules(self._files.rules)

    def _change_rules(self, rules: RuleSet) -> None:
        """All that has come is judged by the old rules and committed; then the new ones hold. If the journal cannot be
        written or read just now, the next look tries again."""
        pipeline, now_ms = self._pipeline, self._around.now()
        pipeline.settle(now_ms)
        if self._commits.waiting:
            self._commit()
        if self._commits.stalled:
            return
        try:
            judging = rejudge(self._lab, rules.rules, self._parts.journal, pipeline.engine.link, now_ms)
        except JournalStalled as error:
            self._around.log.warning(f"changed rules put off: {error}")
            return
        pipeline.judge_by(judging, now_ms)
        self._rules = rules
        self._around.log(f"rules changed: {judging.change}; {len(rules.rules)} alarms in force")
