"""What `checkup` tries, one function a part: each returns findings that say what is, and what to fix.

Every check uses the real thing (the real broker, the real mail server) and changes nothing.
"""

import shutil
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from enum import Enum

from collector.cli.board_start import board_notes
from collector.config.calendars import SchoolCalendars
from collector.config.home import Home
from collector.config.lab_file import NO_DAY_AHEAD, lab_warnings
from collector.config.settings import Settings
from collector.config.yaml.text import read_yaml
from collector.delivery.chat import chat_faults, chat_names
from collector.delivery.mail import probe_mail
from collector.delivery.port import NotDelivered
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.problems import Refused
from collector.domain.schooldays import SchoolDays
from collector.intake.session import BrokerSession, LinkNews, LinkState
from collector.letters.links import LINK_LASTS_MS
from collector.store.errors import StoreError
from collector.store.reader import Reader
from collector.store.watch_state import CollectorState, collector_state, read_state
from collector.uplink.destination import destination_of, not_installed
from collector.watch.assemble import broker_of

_LISTEN_S = 3.0
_ANSWER_S = 5.0
_LITTLE_SPACE_BYTES = 200 * 1024 * 1024


class Verdict(Enum):
    GOOD = "good"
    NOTE = "note"
    FIX = "fix"


@dataclass(frozen=True, slots=True)
class Finding:
    verdict: Verdict
    part: str
    text: str


def good(part: str, text: str) -> Finding:
    return Finding(Verdict.GOOD, part, text)


def note(part: str, text: str) -> Finding:
    return Finding(Verdict.NOTE, part, text)


def fix(part: str, text: str) -> Finding:
    return Finding(Verdict.FIX, part, text)


def check_files(home: Home, now_ms: int = NO_DAY_AHEAD) -> Iterator[Finding]:
    """lab.yaml and the rules, read as `watch` would."""
    lab = None
    try:
        calendars = home.calendars()
        lab = home.load_lab(calendars)
        publishing = sum(1 for probe in lab.probes if probe.topic)
        yield good("lab.yaml", f"{lab.name}: {publishing} probes, {len(lab.people)} people")
        for problem in lab_warnings(lab, text=home.lab_text(), now_ms=now_ms):
            yield note("lab.yaml", str(problem))
        yield from _days_off(lab.school_days, calendars)
    except Refused as refused:
        yield from (fix("lab.yaml", str(problem)) for problem in refused.problems)
    try:
        rules = home.load_rule_set()
        yield good("rules", f"{len(rules.rules)} alarms")
        if lab is not None:
            yield from (note("rules", str(problem)) for problem in rules.warnings(lab))
    except Refused as refused:
        yield from (fix("rules", str(problem)) for problem in refused.problems)


def _days_off(school: SchoolDays, calendars: SchoolCalendars) -> Iterator[Finding]:
    """The calendars, and the next break: a calendar of last year reads well and says nothing."""
    for name, spans in calendars.read.items():
        yield good("calendar", f"{name}: {spans} {'span' if spans == 1 else 'spans'} of days")
    if school.next_after(calendars.today) is None:
        yield fix("calendar", "no school day within 400 days, so no digest goes out; see lab.terms and lab.holidays")
        return
    found = school.next_break(calendars.today)
    if found is not None:
        yield good("calendar", f"next break: {found[0]} to {found[1]}")
    elif school.has_holidays:
        yield note("calendar", "no break within 400 days; put the next one into lab.yaml or its calendars")


def check_people(home: Home, settings: Settings) -> Iterator[Finding]:
    """Whether the chat addresses that people have in lab.yaml are among the settings."""
    try:
        lab, text = home.load_lab(), home.lab_text()
    except Refused:
        return
    names, marked = chat_names(chat_addresses_of(settings)), read_yaml(text, "lab.yaml")
    for person in lab.people:
        if person.chat and person.chat not in names:
            known = f"there are: {', '.join(names)}" if names else "there are none"
            says = f"'{person.chat}' is no name in TRAYWARDEN_CHAT__URLS; {known}"
            finding = note if person.email else fix  # who has no other way is told nothing
            yield finding("people", str(marked.problem(("people", person.role, "chat"), says)))


def check_journal(home: Home, now_ms: int) -> Iterator[Finding]:
    """Disk space, the database, and whether the collector runs and can write."""
    there = next(folder for folder in (home.path, *home.path.absolute().parents) if folder.is_dir())
    free = shutil.disk_usage(there).free
    megabytes = f"{free // 1_000_000} MB free"
    yield good("disk", megabytes) if free >= _LITTLE_SPACE_BYTES else fix("disk", f"only {megabytes}; make room")
    if not home.database.exists():
        yield note("journal", "no readings yet; 'traywarden watch' makes the journal")
        return
    try:
        with Reader(home.database) as reader:
            yield good("journal", f"{reader.readings_count()} readings held")
    except StoreError as error:
        yield fix("journal", str(error))
    state = read_state(home.sign_of_life)
    how = collector_state(state, now_ms)
    if state is None or not how.runs:
        yield note("watch", "the collector is not running here; start it with: traywarden watch")
    elif how is CollectorState.STALLED:
        yield fix("watch", f"the journal cannot be written: {state.stalled}")
    else:
        yield good("watch", f"running, link to the broker: {state.link_words}")


def check_broker(home: Home, settings: Settings) -> Iterator[Finding]:
    """Connect as a guest of its own client id, so that a running collector is not pushed out; listen a moment."""
    broker = broker_of(home, settings, suffix="-checkup")
    news: list[LinkNews] = []
    topics: set[str] = set()
    session = BrokerSession(broker, lambda message: topics.add(message.topic), news.append, time.monotonic, keep=False)
    try:
        answered_by = time.monotonic() + _ANSWER_S
        while not news and time.monotonic() < answered_by:
            session.pump(0.1, 100)
        if not news:
            yield fix("broker", f"{broker.host}:{broker.port} takes the connection but does not answer as a broker")
            return
        if news[0].link is not LinkState.UP:
            yield fix("broker", news[0].text)
            return
        yield good("broker", f"connected to {broker.host}:{broker.port}")
        listen_until = time.monotonic() + _LISTEN_S
        while time.monotonic() < listen_until:
            session.pump(0.1, 100)
    finally:
        session.close()
    heard = ", ".join(sorted(topics)[:5])
    if topics:
        yield good("broker", f"heard within {_LISTEN_S:.0f} s: {heard}")
    else:
        yield note("broker", f"nothing published under '{broker.topic}' within {_LISTEN_S:.0f} s")


def check_mail(home: Home, settings: Settings) -> Iterator[Finding]:
    """Log in to the mail server and say NOOP; look at the chat addresses without sending."""
    mail = mail_server_of(settings)
    if mail is None:
        yield _without_mail(home)
    else:
        try:
            yield good("mail", probe_mail(mail))
        except NotDelivered as error:
            yield fix("mail", str(error))
    for fault in chat_faults(chat_addresses_of(settings)):
        yield fix("chat", fault)


def _without_mail(home: Home) -> Finding:
    """No fault where nobody has a mail address."""
    try:
        roles = [person.role for person in home.load_lab().people if person.email]
    except Refused:
        roles = []
    says = f"TRAYWARDEN_MAIL__HOST is not set: messages go to files in {home.outbox_folder}"
    return fix("mail", f"{says}, not to {', '.join(roles)}") if roles else note("mail", says)


def check_board(settings: Settings) -> Iterator[Finding]:
    """Whether messages hold links to acknowledge by: it takes an address and a secret."""
    board = settings.board
    if board.url and board.link_secret is not None:
        yield good("board", f"messages hold links to {board.url}, each good for {LINK_LASTS_MS // 86_400_000} days")
        yield from (note("board", line) for line in board_notes(board))
    elif board.url:
        yield fix("board", "TRAYWARDEN_BOARD__URL is set without TRAYWARDEN_BOARD__LINK_SECRET: no links in messages")
    elif board.link_secret is not None:
        yield fix("board", "TRAYWARDEN_BOARD__LINK_SECRET is set without TRAYWARDEN_BOARD__URL: no links in messages")
    else:
        yield note("board", "no links in messages; these take TRAYWARDEN_BOARD__URL and TRAYWARDEN_BOARD__LINK_SECRET")


def check_uplink(settings: Settings, now_ms: int) -> Iterator[Finding]:
    """Whether the database of an uplink answers and takes the token, by a write that holds a comment and no data;
    nothing is said where no uplink is set up."""
    if not settings.uplink.url:
        return
    try:
        from collector.uplink.writer import InfluxWriter, Later, NeverTaken
    except ImportError as missing:
        yield fix("uplink", not_installed(missing))
        return
    with closing(InfluxWriter(replace(destination_of(settings.uplink), timeout_s=_ANSWER_S))) as writer:
        try:
            writer.write(["# traywarden checkup"], now_ms)
        except Later as later:
            yield fix("uplink", str(later))
            return
        except NeverTaken:
            pass  # it answers, takes the token, and wants data in a write
        yield good("uplink", f"{settings.uplink.url} answers and takes the token")
