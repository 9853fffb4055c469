"""The words of the journal's small tables, each written and looked for under one name. Stored values never change."""

from enum import StrEnum


class EventKind(StrEnum):
    """What happened to the collector: `events.kind`."""

    STARTED = "started"
    """The collector began. Detail: empty, or LAB_CHANGED where a running one began anew."""
    STOPPED = "stopped"
    """The collector ended in order."""
    LINK_UP = "link up"
    """The broker let us in. Detail: the broker's line for people."""
    LINK_DOWN = "link down"
    """The link to the broker was lost. Detail: why."""
    NEW_SESSION = "new session"
    """The broker had forgotten us, where it once knew us. Detail: from when on readings may be lost."""
    RULES_CHANGED = "rules changed"
    """Other rules hold from here on. Detail: which alarms came, went or changed."""
    JOURNAL_STALLED = "journal stalled"
    """From here on the journal could not be written. Detail: why."""
    JOURNAL_RECOVERED = "journal recovered"
    """The journal could be written again."""
    JOURNAL_DAMAGED = "journal damaged"
    """The file was set aside and read as far as it goes. Detail: where it is and what was salvaged."""
    TOO_MANY_ALARM_CHANGES = "too many alarm changes"
    """Readings of a series are kept unjudged for a while. Detail: which."""


LAB_CHANGED = "lab.yaml changed"
"""Detail of STARTED where a running collector began anew with another lab.yaml."""


class MetaKey(StrEnum):
    """What the journal keeps one value of: `meta.name`."""

    LINK = "link"
    """LINK_IS_UP or LINK_IS_DOWN: the link to the broker as it last changed."""
    LINK_MS = "link_ms"
    """When it did, ms UTC."""
    RULES = "rules"
    """What the rules in force say, as JSON: by it the next change of them is known."""
    HABITS = "habits"
    """How long each series was silent lately, as JSON."""
    DIGEST_DAY = "digest_day"
    """YYYY-MM-DD of the last digest."""
    DIGEST_MS = "digest_ms"
    """When the last digest was written, ms UTC."""
    WEEKLY_DAY = "weekly_day"
    """YYYY-MM-DD of the last weekly report."""
    DEAD_ADDRESSES = "dead_addresses"
    """Which failing addresses the others have been told of, as JSON."""
    REACH = "reach"
    """Who would be told of a high alarm at each place, as the collector last found, as JSON."""
    HORIZON_MS = "store.horizon_ms"
    """Readings before this local midnight, ms UTC, are deleted or being deleted."""
    HORIZON_DAYS = "store.horizon_days"
    """How many days were to be kept when that was set."""
    BELIEVED_MS = "store.believed_ms"
    """The present that deleting last went by, ms UTC."""
    TIME_ZONE = "store.time_zone"
    """The zone that days were summed up in."""


LINK_IS_UP, LINK_IS_DOWN = "up", "down"


class Counter(StrEnum):
    """What is counted: `counters.name`."""

    HELD = "readings up to the due hours"
    """Readings held, but for those of hours that are still to be summed up."""
    DUPLICATES = "duplicates"
    """Readings on a key already kept."""
    TOO_OLD = "too_old"
    """Readings from a stretch that is deleted already."""
    IMPOSSIBLE_TIME = "impossible_time"
    """Readings stamped after the year 9000."""
    LATE = "late"
    """Readings no newer than what was judged of their series."""
    REJECTED = "rejected"
    """Messages that could not be read."""
    UNPLACED = "unplaced"
    """Readings of probes that lab.yaml does not know."""
    REDELIVERED = "redelivered"
    """Messages that came a second time."""
    RETAINED = "retained"
    """Messages that the broker had kept from before."""
    TOO_MANY = "too_many"
    """Readings beyond what one series may send in an hour."""
    UPLINK_ASIDE = "uplink_aside"
    """Lines that the uplink's other end will never take."""


NOT_KEPT = (Counter.TOO_OLD, Counter.IMPOSSIBLE_TIME, Counter.TOO_MANY)
"""Readings that were taken, acknowledged to whoever sent them, and not stored."""
