"""The digest of each school morning and the maintainer's weekly report: when they are due, and their outbox rows.

They are asked for every minute and write what is due now; which day had its last is kept in the journal beside them, so
that a restart sends none twice and a collector that was off in the morning sends it late.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import chain

from collector.alarms.model import Rule
from collector.config.home import Home
from collector.config.settings import Settings
from collector.delivery.addressing import Addressee, addressees_of, reachable
from collector.delivery.reach import reach_now
from collector.delivery.rows import rows_of
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.lab import Lab, Person
from collector.domain.units import show_duration
from collector.letters.form.blocks import Section
from collector.letters.letter import report_letter
from collector.reports import digest, weekly
from collector.reports.digest_view import digest_view, due_day
from collector.reports.weekly_view import weekly_due, weekly_view
from collector.store.batch import NewMessage
from collector.store.journal import Journal
from collector.store.reader import Reader
from collector.store.vocabulary import MetaKey
from collector.telling.reach import reach_lines

REPORTS_EVERY_S = 60
_HEARD_FOR_MS = 6 * 3_600_000
"""A lab that was set up this morning has nothing to report yet."""
_LONGEST_MS = 60 * digest.DAY_MS
"""A digest after a longer break than this tells of so many days."""


def due_reports_of(home: Home, settings: Settings, lab: Lab, journal: Journal) -> "DueReports":
    """For a run of the collector, from what its journal says of the last ones."""
    mail, chat = mail_server_of(settings), chat_addresses_of(settings)
    return DueReports(
        home=home,
        lab=lab,
        ways=lambda person: addressees_of(reachable(person, chat), mail),
        said=journal.meta(),
        told=reach_lines(reach_now(lab, mail, chat), lab),
    )


def _skipped(what: str, span: tuple[int, int] | None, now_ms: int) -> str:
    """The log's line on a report that is not written."""
    minute_ms = 60_000
    old = "" if span is None else show_duration((now_ms - span[0]) // minute_ms * minute_ms)
    heard = f"the first reading is {old} old" if old else "no reading has come yet"
    return f"{what} not written: {heard}, and it takes {show_duration(_HEARD_FOR_MS)} of them; see: traywarden digest"


@dataclass(frozen=True, slots=True)
class Written:
    """What goes into the batch."""

    messages: tuple[NewMessage, ...] = ()
    meta: Mapping[MetaKey, str] = field(default_factory=dict)
    told: tuple[tuple[str, str], ...] = ()
    """(role, key) of each digest: what was left for it is told by it."""
    skipped: str = ""
    """Why what was due is not written, for the log; empty: it is."""


@dataclass(slots=True, kw_only=True)
class DueReports:
    """`ways` gives the addresses of a person; `said` is what the journal's meta holds; `told`: who would be told of a
    high alarm, in lines."""

    home: Home
    lab: Lab
    ways: Callable[[Person], Sequence[Addressee]]
    said: dict[str, str]
    told: Sequence[str]

    def wanted(self, now_ms: int) -> bool:
        """Whether anything is due."""
        return self._day(now_ms) is not None or self._week(now_ms) is not None

    def _day(self, now_ms: int) -> date | None:
        return due_day(self.lab, self.said.get(MetaKey.DIGEST_DAY, ""), now_ms)

    def _week(self, now_ms: int) -> date | None:
        return weekly_due(self.lab, self.said.get(MetaKey.WEEKLY_DAY, ""), now_ms)

    def due(self, rules: Sequence[Rule], now_ms: int) -> Written:
        """Everything that is due now, to be committed together."""
        day, week = self._day(now_ms), self._week(now_ms)
        if day is None and week is None:
            return Written()
        messages: list[NewMessage] = []
        meta: dict[MetaKey, str] = {}
        told: list[tuple[str, str]] = []
        with Reader(self.home.database) as reader:
            span = reader.span()
            known = span is not None and now_ms - span[0] >= _HEARD_FOR_MS
            if day is not None:
                meta |= {MetaKey.DIGEST_DAY: day.isoformat(), MetaKey.DIGEST_MS: str(now_ms)}
            if week is not None:
                meta[MetaKey.WEEKLY_DAY] = week.isoformat()
            if day is not None and known:
                for person, made in self._digests(rules, reader, now_ms):
                    messages += made
                    told.append((person.role, digest.digest_key(day, person.role)))
            if week is not None and known:
                messages += self._weeklies(rules, reader, now_ms)
        self.said.update({str(key): value for key, value in meta.items()})
        return Written(
            tuple(messages),
            meta,
            tuple(told),
            "" if known else _skipped("weekly report" if day is None else "digest", span, now_ms),
        )

    def hearers(self) -> tuple[str, ...]:
        """The roles that get the digest."""
        return tuple(person.role for person in self.lab.people if person.digest)

    def digest_now(self, rules: Sequence[Rule], now_ms: int) -> Written:
        """The digest out of its time, however little there is to tell. That of the morning comes all the same and tells
        all that it would have told."""
        with Reader(self.home.database) as reader:
            view = digest_view(self.lab, rules, reader, self._since_ms(now_ms), now_ms)
        rows = [
            self._rows(
                person,
                digest.digest_key(view.day, f"{person.role}-{now_ms}"),
                digest.subject(view, person),
                digest.sections(view, person),
                now_ms,
            )
            for person in self.lab.people
            if person.digest
        ]
        return Written(tuple(chain.from_iterable(rows)))

    def _digests(self, rules: Sequence[Rule], reader: Reader, now_ms: int) -> Iterator[tuple[Person, list[NewMessage]]]:
        people = [person for person in self.lab.people if person.digest]
        if not people:
            return
        view = digest_view(self.lab, rules, reader, self._since_ms(now_ms), now_ms)
        for person in people:
            parts = digest.sections(view, person)
            key = digest.digest_key(view.day, person.role)
            yield person, self._rows(person, key, digest.subject(view, person), parts, now_ms)

    def _weeklies(self, rules: Sequence[Rule], reader: Reader, now_ms: int) -> list[NewMessage]:
        people = [person for person in self.lab.people if person.weekly]
        if not people:
            return []
        view = weekly_view(self.home, self.lab, rules, reader, now_ms, self.told)
        subject, parts = weekly.subject(view), weekly.sections(view)
        return [
            row
            for person in people
            for row in self._rows(person, weekly.weekly_key(view.day, person.role), subject, parts, now_ms)
        ]

    def _since_ms(self, now_ms: int) -> int:
        """When the last digest went out; a day ago where none did, or only one under a clock that was ahead."""
        last = self.said.get(MetaKey.DIGEST_MS, "")
        since_ms = int(last) if last.isdigit() and int(last) <= now_ms else now_ms - digest.DAY_MS
        return max(since_ms, now_ms - _LONGEST_MS)

    def _rows(self, person: Person, key: str, subject: str, parts: Sequence[Section], now_ms: int) -> list[NewMessage]:
        return rows_of(report_letter(subject, parts), key, self.ways(person), priority="low", now_ms=now_ms)
