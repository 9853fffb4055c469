"""A database of the tests that takes the write API v2: strict, and as troublesome as it is told to be.

Each line is read by a parser that is not ours (line-protocol-parser); what cannot be read refuses the whole write, as
servers do that know no partial writes.
"""

import gzip
import threading
from dataclasses import dataclass, field
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self
from urllib.parse import parse_qs, urlsplit

from line_protocol_parser import LineFormatError, parse_line

TOKEN = "made-up-token-of-the-tests"


@dataclass(slots=True)
class Answer:
    """What the next write gets instead of being looked at. Status 0 drops the connection."""

    status: int
    headers: dict[str, str] = field(default_factory=dict)
    body: str = '{"code":"trouble","message":"so it was told"}'
    after: bool = False
    """The lines are kept first: the answer is lost on its way."""


@dataclass(slots=True)
class FarEnd:
    """`points` holds what was taken: (measurement, tags, time) -> fields, so that a repeat changes nothing."""

    most_bytes: int = 10_000_000
    refuses: str = ""
    """A line that holds this text is refused with 400."""
    answers: list[Answer] = field(default_factory=list)
    points: dict[tuple[str, frozenset[tuple[str, str]], int], dict[str, Any]] = field(default_factory=dict)
    order: list[int] = field(default_factory=list)
    """Times of the readings as they came."""
    writes: int = 0
    queries: list[dict[str, list[str]]] = field(default_factory=list)
    _server: ThreadingHTTPServer | None = None

    def __enter__(self) -> Self:
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.shutdown()
        self._server.server_close()

    @property
    def url(self) -> str:
        assert self._server is not None
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def asked(self, path: str, headers: Message, content: bytes) -> Answer:
        """The answer to one write."""
        self.queries.append(parse_qs(urlsplit(path).query))
        if urlsplit(path).path != "/api/v2/write":
            return Answer(404, body="no such place")
        if headers.get("Content-Encoding") != "gzip":
            return Answer(400, body="this server takes only compressed writes")
        if headers.get("Authorization") != f"Token {TOKEN}":
            return Answer(401, body='{"code":"unauthorized","message":"unauthorized access"}')
        answer = self.answers.pop(0) if self.answers else Answer(204, body="")
        if answer.status == 204 or answer.after:
            status, reason = self.take(gzip.decompress(content).decode())
            return answer if status == 204 else Answer(status, body=reason)
        return answer

    def take(self, text: str) -> tuple[int, str]:
        """Status and reason; all lines or none."""
        self.writes += 1
        if len(text) > self.most_bytes:
            return 413, '{"code":"request too large"}'
        found = []
        for line in (line for line in text.split("\n") if not line.startswith("#")):
            if self.refuses and self.refuses in line:
                return 400, '{"code":"invalid","message":"partial write: field type conflict"}'
            try:
                found.append(parse_line(line))
            except (LineFormatError, UnicodeDecodeError) as error:
                return 400, f'{{"code":"invalid","message":"unable to parse: {error}"}}'
        for point in found:
            self.points[point["measurement"], frozenset(point["tags"].items()), point["time"]] = point["fields"]
            self.order.append(point["time"])
        return 204, ""

    def named(self, measurement: str) -> list[tuple[dict[str, str], int, dict[str, Any]]]:
        """(tags, time, fields) of one measurement, in the order of their times."""
        rows = [(dict(tags), t, fields) for (name, tags, t), fields in self.points.items() if name == measurement]
        return sorted(rows, key=lambda row: (row[1], sorted(row[0].items())))


def _handler(far: FarEnd) -> type[BaseHTTPRequestHandler]:
    """A handler class that belongs to one far end."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            content = self.rfile.read(int(self.headers["Content-Length"]))
            answer = far.asked(self.path, self.headers, content)
            if answer.status == 0:
                self.close_connection = True
                self.connection.close()
                return
            self.send_response(answer.status)
            for name, value in {**answer.headers, "Content-Length": str(len(answer.body.encode()))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(answer.body.encode())

        def log_message(self, *_: object) -> None:
            """Quiet."""

    return Handler
