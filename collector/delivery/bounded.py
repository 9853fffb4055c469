"""Answers from outside, read within bounds: so many bytes, so long, and nothing unpacked beyond that.

A server that never ends its answer, or gives a byte every few seconds, costs what the bounds say and no more.

Deadline    after so many seconds whatever it watches is ended, and with that every wait on it
give_up     the same at once, for all that a thread waits for
ask         one HTTP request
Answer      what came back
NoAnswer    nothing usable came back; one line without secrets
"""

import socket
import threading
import zlib
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Any, ClassVar, Self
from urllib.parse import urljoin
from weakref import WeakSet

MOST_BYTES = 64 * 1024
"""Of a body: what is wrong stands in its first lines."""
ANSWER_S = 20.0
_LATE = "gave no answer in time"
_ELSEWHERE = (301, 302, 303, 307, 308)
"""Answers that name another address (RFC 9110 section 15.4)."""


class NoAnswer(Exception):
    """The connection failed, or the answer did not end in time. `reason`: for people, after the name of the host."""

    def __init__(self, reason: str, kind: str = "") -> None:
        self.reason = reason
        super().__init__(f"{reason} ({kind})" if kind else reason)


class Deadline:
    """Within the block, or from `start` to `close`, what is given to `watch` lives so long at most."""

    _running: ClassVar["WeakSet[Deadline]"] = WeakSet()

    def __init__(self, seconds: float) -> None:
        self.passed = False
        self._owner: int | None = None
        self._enders: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        self._timer = threading.Timer(seconds, self.expire)
        self._timer.daemon = True

    def start(self) -> None:
        """The seconds begin to run."""
        self._owner = threading.get_ident()
        self._timer.start()
        self._running.add(self)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """The block is over: nothing is ended any more."""
        self._timer.cancel()
        self._running.discard(self)
        with self._lock:
            self._enders.clear()

    def watch(self, ender: Callable[[], None]) -> None:
        """Call `ender` at the deadline, at once where that has passed. It ends a wait; an OSError counts as done."""
        with self._lock:
            self._enders.append(ender)
        if self.passed:
            self.expire()

    def watch_socket(self, sock: socket.socket) -> None:
        """Shut it at the deadline, below TLS, whose own goodbye would be said to somebody who does not listen."""
        self.watch(lambda: socket.socket.shutdown(sock, socket.SHUT_RDWR))

    def expire(self) -> None:
        """The deadline is now. Any thread may call."""
        self.passed = True
        with self._lock:
            for ender in self._enders:
                with suppress(OSError):  # ended meanwhile
                    ender()

    @classmethod
    def expire_all(cls, owner: int | None) -> None:
        """Those that a thread has started."""
        for deadline in list(cls._running):
            if deadline._owner == owner:
                deadline.expire()


def give_up(thread: threading.Thread) -> None:
    """Whatever answer the thread waits for, it comes no more."""
    Deadline.expire_all(thread.ident)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a server said."""

    status: int
    reason: str
    headers: Mapping[str, str]
    """By their names as the server wrote them; look up without regard to case."""
    body: bytes
    """Unpacked; MOST_BYTES of it at most."""
    cut: bool = False
    """There was more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is asked. `deadline_s` is for the whole exchange."""

    method: str
    url: str
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes | str | None = None
    deadline_s: float = ANSWER_S
    redirects: int = 0
    """So often another address is asked where the answer names one; else that is an answer like any other."""


def ask(request: Request) -> Answer:
    """Raises NoAnswer."""
    from urllib3.exceptions import HTTPError  # only where something is asked: it takes memory

    with Deadline(request.deadline_s) as deadline:
        try:
            answer = _asked(request, deadline)
            for _ in range(request.redirects):
                further = answer.headers.get("Location", "")
                if answer.status not in _ELSEWHERE or not further:
                    break
                answer = _asked(replace(request, url=urljoin(request.url, further)), deadline)
        except (HTTPError, OSError, ValueError) as error:
            raise _why(error, deadline) from None
        if deadline.passed:
            raise NoAnswer(_LATE)
    return answer


def _asked(request: Request, deadline: Deadline) -> Answer:
    from urllib3 import Timeout

    with _guarded(deadline) as manager:
        response = manager.request(
            request.method,
            request.url,
            body=request.body,
            headers={"User-Agent": "traywarden", "Accept-Encoding": "identity", **request.headers},
            timeout=Timeout(connect=request.deadline_s, read=request.deadline_s),
            redirect=False,
            retries=False,
            preload_content=False,
            decode_content=False,
        )
        raw = response.read(MOST_BYTES + 1, decode_content=False)
        response.close()
    body, cut = _unpacked(raw, response.headers.get("Content-Encoding", ""))
    return Answer(status=response.status, reason=response.reason or "", headers=response.headers, body=body, cut=cut)


def _why(error: Exception, deadline: Deadline) -> NoAnswer:
    from urllib3.exceptions import NewConnectionError
    from urllib3.exceptions import TimeoutError as Late

    if isinstance(error, ValueError):
        return NoAnswer("cannot be asked: its address is not one")
    late = isinstance(error, (Late, TimeoutError)) and not isinstance(error, NewConnectionError)
    return NoAnswer(_LATE) if late or deadline.passed else NoAnswer("cannot be reached", type(error).__name__)


def _unpacked(raw: bytes, encoding: str) -> tuple[bytes, bool]:
    """(at most MOST_BYTES of the body, whether there is more). What says it is packed and is not stays as it is."""
    if encoding.strip().lower() in ("gzip", "x-gzip"):
        unpacking = zlib.decompressobj(wbits=31)
        try:
            text = unpacking.decompress(raw, MOST_BYTES)
        except zlib.error:
            return raw[:MOST_BYTES], len(raw) > MOST_BYTES
        return text, not unpacking.eof
    return raw[:MOST_BYTES], len(raw) > MOST_BYTES


def _guarded(deadline: Deadline) -> Any:
    """A urllib3 PoolManager whose connections end with the deadline."""
    from urllib3 import HTTPConnectionPool, HTTPSConnectionPool, PoolManager
    from urllib3.connection import HTTPConnection, HTTPSConnection

    class Plain(HTTPConnection):
        def connect(self) -> None:
            super().connect()
            if self.sock is not None:
                deadline.watch_socket(self.sock)

    class Secure(HTTPSConnection):
        def connect(self) -> None:
            super().connect()
            if self.sock is not None:
                deadline.watch_socket(self.sock)

    class PlainPool(HTTPConnectionPool):
        ConnectionCls = Plain

    class SecurePool(HTTPSConnectionPool):
        ConnectionCls = Secure

    manager = PoolManager()
    manager.pool_classes_by_scheme = {"http": PlainPool, "https": SecurePool}
    return manager
