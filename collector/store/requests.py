"""Requests to the collector, written by the command line and the pages: acknowledge an alarm, and the like.

The collector alone changes alarms; it notices a request within a second and answers in `done_ms` and `result`
(`Reader.request`).
"""

import json
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from collector.store.connection import open_existing, transaction
from collector.store.errors import translated
from collector.store.migrations import refuse_other


def write_request(path: Path, kind: str, body: Mapping[str, object], now_ms: int) -> int:
    """Leave a request; returns its number."""
    with translated(path), closing(open_existing(path)) as db:
        refuse_other(db, path)
        with transaction(db):
            (number,) = db.execute(
                "INSERT INTO requests(kind, body, at_ms) VALUES(?, ?, ?) RETURNING id",
                (kind, json.dumps(dict(body), ensure_ascii=True), now_ms),
            ).fetchone()
    return int(number)
