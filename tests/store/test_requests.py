"""Requests and replies as rows: every kind is read back, and whatever else stands there is refused in one line."""

import json
from contextlib import closing
from pathlib import Path

import pytest

from collector.store.connection import open_existing
from collector.store.requests import (
    Acknowledge,
    BrewEnd,
    BrewStart,
    BrewStrike,
    DiaryAdd,
    DiaryStrike,
    ProbeIn,
    ProbeOut,
    Reply,
    Request,
    Shelve,
    UnreadRequest,
    Unshelve,
    body_of,
    kind_of,
    reply_of,
    reply_text,
    request_of,
    write_request,
)
from tests.store.samples import T0, dump, opened

EACH: list[tuple[Request, str, dict[str, object]]] = [
    (
        Acknowledge(rule="bedding-hot", place="juniper/top", by="teacher", raised_ms=T0),
        "acknowledge",
        {"by": "teacher", "rule": "bedding-hot", "place": "juniper/top", "raised_ms": T0},
    ),
    (
        Shelve(rule="bedding-hot", place="maple", until_ms=T0, reason="repair", by="teacher"),
        "shelve",
        {"by": "teacher", "rule": "bedding-hot", "place": "maple", "until_ms": T0, "reason": "repair"},
    ),
    (Unshelve(rule="r", place="p", by="x"), "unshelve", {"by": "x", "rule": "r", "place": "p"}),
    (ProbeOut(probe="p", reason="cable", by="x"), "probe-out", {"by": "x", "probe": "p", "reason": "cable"}),
    (ProbeIn(probe="p", by="x"), "probe-in", {"by": "x", "probe": "p"}),
    (
        DiaryAdd(kind="watered", place="juniper/top", by="x", t_ms=T0, amount="0.5 L", note="\u00e4"),
        "diary-add",
        {"by": "x", "kind": "watered", "place": "juniper/top", "t_ms": T0, "amount": "0.5 L", "note": "\u00e4"},
    ),
    (DiaryStrike(number=3, by="x"), "diary-strike", {"by": "x", "number": 3}),
    (BrewStart(place="kettle", by="x"), "brew-start", {"by": "x", "place": "kettle"}),
    (
        BrewEnd(place="kettle", by="x", air_stopped_ms=T0),
        "brew-end",
        {"by": "x", "place": "kettle", "air_stopped_ms": T0},
    ),
    (BrewStrike(number=3, by="x"), "brew-strike", {"by": "x", "number": 3}),
]


@pytest.mark.parametrize(("request_", "kind", "body"), EACH, ids=[kind for _, kind, _ in EACH])
def test_each_kind_of_request_is_left_and_read(
    tmp_path: Path, request_: Request, kind: str, body: dict[str, object]
) -> None:
    """In the columns that programs of before use too: its kind, and its fields that say something as JSON."""
    with opened(tmp_path) as journal:
        number = write_request(journal.path, request_, T0)
        (row,) = journal.pending_requests()
    assert (row.id, row.request, row.at_ms, row.done_ms, row.reply) == (number, request_, T0, None, None)
    ((_, stored_kind, stored_body, *_rest),) = dump(tmp_path / "traywarden.db", "requests")["requests"]
    assert (stored_kind, json.loads(str(stored_body))) == (kind, body)
    assert (kind_of(request_), body_of(request_)) == (kind, body)


@pytest.mark.parametrize(
    ("kind", "body", "says"),
    [
        ("harvest-moon", "{}", "this version does not know the request 'harvest-moon'"),
        ("acknowledge", "", "the request 'acknowledge' cannot be read: Expecting value"),
        ("acknowledge", "[1]", "it is no JSON object"),
        ("acknowledge", "{}", "missing required field `rule`"),
        ("diary-add", '{"kind": 3, "place": "juniper"}', "Expected `str`, got `int` - at `$.kind`"),
        ("diary-add", '{"kind": "fed", "place": "juniper", "t_ms": true}', "Expected `int | null`, got `bool`"),
        ("diary-add", f'{{"kind": "fed", "place": "juniper", "t_ms": {2**60}}}', "Expected `int` <"),
        ("brew-end", '{"place": "kettle", "air_stopped_ms": 1.5}', "at `$.air_stopped_ms`"),
        ("diary-strike", '{"by": "x"}', "missing required field `number`"),
    ],
)
def test_a_request_that_anybody_wrote_is_refused_in_one_line(tmp_path: Path, kind: str, body: str, says: str) -> None:
    """It stands among those that wait, so that whoever asked gets an answer."""
    with opened(tmp_path) as journal:
        with closing(open_existing(journal.path)) as db:
            db.execute("INSERT INTO requests(kind, body, at_ms) VALUES(?, ?, ?)", (kind, body, T0))
        (row,) = journal.pending_requests()
    assert isinstance(row.request, UnreadRequest)
    assert says in row.request.problem
    assert "\n" not in row.request.problem


def test_fields_of_a_newer_program_are_passed_over() -> None:
    """What is known of the request still counts."""
    assert request_of("probe-in", '{"probe": "p", "by": "x", "mood": 3}') == ProbeIn(probe="p", by="x")


def test_a_reply_says_whether_it_was_done_beside_its_words() -> None:
    """Any words, also some that look like another reply; the words of an older program do not say that it was done."""
    for reply in (Reply(True, "noted as 1"), Reply(False, "noted as 1"), Reply(True, '{"done": false} 🪱\n')):
        assert reply_of(reply_text(reply)) == reply
        assert reply_text(reply).isascii()
    assert reply_of("acknowledged") == Reply(False, "acknowledged")
    assert reply_of('{"done": 3, "words": ""}').done is False
