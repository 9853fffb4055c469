"""The web server: a socket of our own, so that a port that is taken is said in one line, and uvicorn on it."""

import socket
from collections.abc import Callable

import uvicorn
from starlette.types import ASGIApp

from collector.board.connections import ANSWERED_WITHIN_S, MOST_AT_ONCE, within

_HEADERS_BYTES = 16 * 1024
_ENDS_WITHIN_S = 3
_TURNED_EVERY_S = 1


def listen(host: str, port: int) -> socket.socket:
    """A listening socket; port 0 takes any free one. Raises OSError: the port is taken, or the host is not ours."""
    family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    return socket.create_server(address[:2], family=family, backlog=64)


class Serving:
    """`run` serves until `stop`, which any thread may call, or until a signal. No line of its log holds an address of a
    page: these are secrets. `turned` is called about once a second while the loop that answers goes round."""

    def __init__(
        self,
        app: ASGIApp,
        listening: socket.socket,
        turned: Callable[[], None] = lambda: None,
        *,
        answered_within_s: float = ANSWERED_WITHIN_S,
    ) -> None:
        self._listening, self._turned = listening, turned
        config = uvicorn.Config(
            app,
            access_log=False,
            log_config=None,
            log_level="error",
            server_header=False,
            proxy_headers=False,
            lifespan="off",
            loop="asyncio",
            http=within(answered_within_s),
            ws="none",
            limit_concurrency=2 * MOST_AT_ONCE,  # only where all are being answered
            h11_max_incomplete_event_size=_HEADERS_BYTES,
            timeout_graceful_shutdown=_ENDS_WITHIN_S,
            callback_notify=self._notify,
            timeout_notify=_TURNED_EVERY_S,
        )
        self._server = uvicorn.Server(config)

    @property
    def port(self) -> int:
        """The one it listens on."""
        return int(self._listening.getsockname()[1])

    def run(self) -> None:
        """Serve until stopped; the caller's thread waits."""
        with self._listening:
            self._server.run(sockets=[self._listening])

    async def _notify(self) -> None:
        self._turned()

    def stop(self) -> None:
        """End soon; what is being answered is finished."""
        self._server.should_exit = True
