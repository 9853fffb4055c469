"""Requests to the collector, one struct for each kind, and its reply to one.

The collector alone changes alarms and the diary. Whoever wants a change leaves a request in the journal; the collector
notices it within a second and replies in the same row. In the table `requests`, `kind` is the tag of the struct, `body`
its other fields as JSON, and `result` the reply as JSON. All times are ms UTC.
"""

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeAlias

import msgspec
from msgspec import Struct

from collector.store.connection import open_existing, transaction
from collector.store.errors import translated
from collector.store.migrations import refuse_other
from collector.store.tables.rows import insert, select, select_one

_TAG = "request"
Whole: TypeAlias = Annotated[int, msgspec.Meta(gt=-(2**53), lt=2**53)]
"""A time in ms UTC, or the number of an entry, that any JSON reader holds exactly."""


class _Asked(Struct, frozen=True, kw_only=True, tag_field=_TAG, omit_defaults=True):
    by: str = ""
    """A role or a class, never a pupil's name."""


class Acknowledge(_Asked, frozen=True, tag="acknowledge"):
    """Somebody has seen an alarm and sees to it."""

    rule: str
    place: str
    raised_ms: Whole | None = None
    """Which occurrence is meant; None: the one that stands."""


class Shelve(_Asked, frozen=True, tag="shelve"):
    """Tell nobody of an alarm for a while."""

    rule: str
    place: str
    until_ms: Whole
    reason: str = ""


class Unshelve(_Asked, frozen=True, tag="unshelve"):
    """End a shelving early."""

    rule: str
    place: str


class ProbeOut(_Asked, frozen=True, tag="probe-out"):
    """Take a probe out of service."""

    probe: str
    reason: str = ""


class ProbeIn(_Asked, frozen=True, tag="probe-in"):
    """Put a probe back in service."""

    probe: str


class DiaryAdd(_Asked, frozen=True, tag="diary-add"):
    """Note what was done. Amount and result as people write them: '0.5 L', 'damp'."""

    kind: str
    place: str
    t_ms: Whole | None = None
    """When it was done; None: when it was asked."""
    amount: str = ""
    result: str = ""
    note: str = ""


class DiaryStrike(_Asked, frozen=True, tag="diary-strike"):
    """Strike out an entry."""

    number: Whole


class BrewStart(_Asked, frozen=True, tag="brew-start"):
    """A brew has started."""

    place: str
    t_ms: Whole | None = None
    """When; None: when it was asked."""
    note: str = ""


class BrewEnd(_Asked, frozen=True, tag="brew-end"):
    """The brew that runs is over."""

    place: str
    t_ms: Whole | None = None
    """When; None: when it was asked."""
    air_stopped_ms: Whole | None = None
    """When the air stopped; None: at the end."""


class BrewStrike(_Asked, frozen=True, tag="brew-strike"):
    """Strike out a brew."""

    number: Whole


class DigestNow(_Asked, frozen=True, tag="digest-now"):
    """Send the digest now, beside that of the morning."""


AlarmOrder: TypeAlias = Acknowledge | Shelve | Unshelve | ProbeOut | ProbeIn
"""What people order of alarms."""
DiaryRequest: TypeAlias = DiaryAdd | DiaryStrike
BrewRequest: TypeAlias = BrewStart | BrewEnd | BrewStrike
BookRequest: TypeAlias = DiaryRequest | BrewRequest
"""What goes into the diary and its brews."""
Request: TypeAlias = AlarmOrder | BookRequest | DigestNow
_KINDS = frozenset(str(kind.__struct_config__.tag) for kind in _Asked.__subclasses__())


@dataclass(frozen=True, slots=True)
class UnreadRequest:
    """A row that holds no request this program can read: of another version, or written by hand."""

    kind: str
    problem: str
    """One line for whoever asked."""


class Reply(Struct, frozen=True):
    """What the collector made of a request."""

    done: bool
    """False: it was refused, and nothing has changed."""
    words: str
    """One line for people: what was done, or why not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestRow:
    """A request as the journal holds it."""

    id: int
    request: Request | UnreadRequest
    at_ms: int
    """When it was left."""
    done_ms: int | None = None
    """When the collector replied; None: it waits."""
    reply: Reply | None = None


def kind_of(request: Request) -> str:
    """'acknowledge': the request's name in the table and for programs."""
    return str(request.__struct_config__.tag)


def body_of(request: Request) -> dict[str, Any]:
    """The fields that say something; what is left out has its default."""
    body: dict[str, Any] = msgspec.to_builtins(request)
    del body[_TAG]
    return body


def request_of(kind: str, body: str) -> Request | UnreadRequest:
    """The request of a row. Fields that this program does not know are passed over."""
    if kind not in _KINDS:
        return UnreadRequest(kind, f"this version does not know the request '{kind}'")
    try:
        fields = json.loads(body)
        if not isinstance(fields, dict):
            return UnreadRequest(kind, f"the request '{kind}' cannot be read: it is no JSON object")
        found: Request = msgspec.convert({**fields, _TAG: kind}, Request)
    except ValueError as error:  # msgspec's errors are ValueErrors too
        return UnreadRequest(kind, f"the request '{kind}' cannot be read: {' '.join(str(error).split())}")
    return found


def reply_text(reply: Reply) -> str:
    """A reply as its row holds it: ASCII, whatever its words."""
    return json.dumps({"done": reply.done, "words": reply.words})


def reply_of(text: str) -> Reply:
    """The reply of a row. That of an older program is words alone, which do not say whether it was done."""
    try:
        return msgspec.json.decode(text, type=Reply)
    except (msgspec.DecodeError, UnicodeEncodeError):
        return Reply(False, text)


_LEAVE = insert("requests", ("kind", "body", "at_ms"), on_conflict="RETURNING id")
_ROW = "SELECT id, kind, body, at_ms, done_ms, result FROM requests WHERE "


def pending_requests(db: sqlite3.Connection) -> list[RequestRow]:
    """Requests nobody has taken up yet, oldest first."""
    return [_request_row(row) for row in select(db, _ROW + "done_ms IS NULL ORDER BY id")]


def request(db: sqlite3.Connection, number: int) -> RequestRow | None:
    """The request of this number; None where there is none."""
    row = select_one(db, _ROW + "id = ?", (number,))
    return None if row is None else _request_row(row)


def _request_row(row: sqlite3.Row) -> RequestRow:
    return RequestRow(
        id=row["id"],
        request=request_of(row["kind"], row["body"]),
        at_ms=row["at_ms"],
        done_ms=row["done_ms"],
        reply=None if row["result"] is None else reply_of(row["result"]),
    )


def write_request(path: Path, request: Request, now_ms: int) -> int:
    """Leave a request; returns its number."""
    with translated(path), closing(open_existing(path)) as db:
        refuse_other(db, path)
        with transaction(db):
            (number,) = db.execute(
                _LEAVE,
                {"kind": kind_of(request), "body": json.dumps(body_of(request)), "at_ms": now_ms},
            ).fetchone()
    return int(number)
