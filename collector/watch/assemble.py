"""Builds the collector's parts from the home folder and the settings, and all memory state from the journal."""

from dataclasses import dataclass

from collector.config.changed_files import WatchedFiles
from collector.config.clock import Now
from collector.config.home import Home
from collector.config.log import Log
from collector.config.settings import Settings
from collector.delivery.addressing import carriers
from collector.delivery.dead_addresses import DeadAddresses
from collector.delivery.heartbeat import GONE, Pulse
from collector.delivery.lanes import Lanes
from collector.delivery.pictures import drawing
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.lab import Lab
from collector.intake.session import BrokerAccess
from collector.pipeline.building import build_pipeline
from collector.pipeline.lab_facts import LetterSources
from collector.pipeline.notices import Outlet
from collector.pipeline.pipeline import Pipeline
from collector.store.journal import Journal
from collector.store.outbox import OutboxStore
from collector.store.repair.damage import Opened, open_journal, set_aside
from collector.store.vocabulary import EventKind
from collector.watch.surroundings import Surroundings


@dataclass(slots=True, kw_only=True)
class RunParts:
    """What one run of the collector is made of."""

    lab: Lab
    journal: Journal
    pipeline: Pipeline
    broker: BrokerAccess
    outbox: OutboxStore
    lanes: Lanes
    dead: DeadAddresses

    def close(self) -> None:
        """In reverse order of opening; each sender finishes the message it is handing over."""
        self.lanes.close()
        self.outbox.close()
        self.journal.close()


def sources_of(settings: Settings, journal: Journal) -> LetterSources:
    """What messages tell beyond the readings at hand."""
    board = settings.board
    secret = board.link_secret.get_secret_value() if board.link_secret is not None else ""
    return LetterSources(journal.hourly_means, board.url, secret)


def broker_of(home: Home, settings: Settings, suffix: str = "") -> BrokerAccess:
    """`suffix` to the client id makes a guest, who gives no sign of life."""
    mqtt = settings.mqtt
    return BrokerAccess(
        host=mqtt.host,
        port=mqtt.port,
        topic=mqtt.topic,
        client_id=(mqtt.client_id or home.client_id()) + suffix,
        username=mqtt.username,
        password=mqtt.password.get_secret_value() if mqtt.password is not None else None,
        tls=mqtt.tls,
        ca_file=mqtt.ca_file,
        version=mqtt.version,
        keepalive_s=mqtt.keepalive_s,
        life_topic="" if suffix else settings.heartbeat.topic,
        last_will=GONE,
    )


def pulse_of(settings: Settings, now: Now, log: Log) -> Pulse:
    """The sign of life, by the ways that are set up."""
    beat = settings.heartbeat
    url = beat.url.get_secret_value() if beat.url is not None else None
    return Pulse(url, beat.topic, beat.every_s, now, log)


def assemble(around: Surroundings, files: WatchedFiles, damage: str = "") -> RunParts:
    """Open everything but the connection to the broker, for the lab and rules in `files`. Raises StoreError, with
    nothing left open.

    `damage`: the journal was found damaged while in use, for this reason, though opening it may find nothing."""
    home, settings, now, log, lab = around.home, around.settings, around.now, around.log, files.lab
    mail, chat = mail_server_of(settings), chat_addresses_of(settings)
    journal, report = _opened(home, lab, now(), damage)
    try:
        outlet = Outlet(mail=mail, chat=chat, sources=sources_of(settings, journal))
        pipeline = build_pipeline(lab, files.rules.rules, journal, outlet, now())
        if report is not None:
            log.warning(f"journal: {report}")
            pipeline.batch.events.append((now(), EventKind.JOURNAL_DAMAGED, str(report)))
        outbox = OutboxStore(home.database)
    except BaseException:
        journal.close()
        raise
    if outbox.unconfirmed_at_open:
        log.warning(
            f"outbox: {outbox.unconfirmed_at_open} messages cut off by the stop may have arrived; not sent again"
        )
    ways = carriers(mail, chat, home.outbox_folder, lab.name, settings.mail.sender, drawing(home.database, log))
    lanes = Lanes(outbox, ways, now, log)
    dead = DeadAddresses(journal, lab, mail, chat, lanes.failed, log)
    return RunParts(
        lab=lab,
        journal=journal,
        pipeline=pipeline,
        broker=broker_of(home, settings),
        outbox=outbox,
        lanes=lanes,
        dead=dead,
    )


def _opened(home: Home, lab: Lab, now_ms: int, damage: str) -> Opened:
    if not damage:
        return open_journal(home.database, lab.time_zone, now_ms)
    report = set_aside(home.database, lab.time_zone, now_ms, damage)
    return Opened(Journal(home.database, lab.time_zone, now_ms), report)
