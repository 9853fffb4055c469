"""Recorded messages judged as if they came in now: a file of JSON Lines, one message a line in the order of arrival,
with `time_ms`, `topic`, and `payload` (text) or `payload_base64`. `traywarden-sim run --no-broker` writes such files.

They go through intake, calibration, quality and journal like live ones, into a home of their own that is thrown away.
"""

import base64
import binascii
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Annotated

import msgspec

from collector.config.home import Home
from collector.config.written_files import open_file
from collector.domain.lab import Lab
from collector.domain.problems import wrong
from collector.intake.inbox import IncomingMessage
from collector.pipeline.building import build_pipeline
from collector.pipeline.notices import Outlet
from collector.store.journal import Journal

_TOGETHER = 2_000
_LATEST_MS = 253_402_300_799_999
"""The last moment of the year 9999."""
_MOST_LINE = 4_000_000
"""Bytes: a message of the largest size that is read, with every byte of it escaped, is a third of this."""
_EXAMPLE = '{"time_ms": 1772438400000, "topic": "worms/a", "payload": "21.5"}'


class _Line(msgspec.Struct, kw_only=True):
    time_ms: Annotated[int, msgspec.Meta(ge=0, le=_LATEST_MS)]
    topic: str
    payload: str | None = None
    payload_base64: str | None = None
    retain: bool = False


@contextmanager
def recorded(home: Home, lab: Lab, path: Path) -> Iterator[Home]:
    """A home whose journal holds what the recording brought to this lab. Raises Wrong, with file and line, for what is
    no message, and where there is none."""
    with tempfile.TemporaryDirectory(prefix="traywarden-packs-") as folder:
        scratch = Home(Path(folder), home.rules_at)
        messages = _messages(path)
        first = next(messages, None)
        if first is None:
            wrong(f"{path}: no messages in it")
        with Journal(scratch.database, lab.time_zone, first[0]) as journal:
            pipeline = build_pipeline(lab, home.load_rules(), journal, Outlet(), first[0])
            together = [first]
            while together:
                for t_ms, message in together:
                    pipeline.intake.accept(message, t_ms)
                pipeline.settle(t_ms)
                journal.commit(pipeline.batch, t_ms)
                pipeline.start_batch()
                together = list(islice(messages, _TOGETHER))
        yield scratch


def _messages(path: Path) -> Iterator[tuple[int, IncomingMessage]]:
    decoder = msgspec.json.Decoder(_Line)
    try:
        with open_file(path) as lines:
            for number, line in enumerate(iter(lambda: lines.readline(_MOST_LINE + 1), b""), start=1):
                if len(line) > _MOST_LINE:
                    wrong(f"{path}:{number}: longer than {_MOST_LINE:,} bytes, the most that a line may hold")
                if line.strip():
                    yield _message(decoder, line, f"{path}:{number}")
    except OSError as error:
        said = error.strerror or "cannot be read"
        wrong(f"--packs {path}: {said[:1].lower()}{said[1:]}")


def _message(decoder: msgspec.json.Decoder[_Line], line: bytes, where: str) -> tuple[int, IncomingMessage]:
    try:
        found = decoder.decode(line)
        if found.payload is not None:
            payload = found.payload.encode()
        elif found.payload_base64 is not None:
            payload = base64.b64decode(found.payload_base64, validate=True)
        else:
            raise msgspec.ValidationError("'payload' is missing")
    except (msgspec.MsgspecError, binascii.Error) as error:
        wrong(f"{where}: no message ({error}); one is like {_EXAMPLE}")
    return found.time_ms, IncomingMessage(topic=found.topic, payload=payload, retained=found.retain)
