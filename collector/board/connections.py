"""Connections that ask for nothing, or ask slowly, cost the others nothing.

Each must have asked and been answered within a time, which no byte extends; and where there are as many connections as
are kept, a new one takes the place of the oldest that has not asked yet, of the host that holds the most of these.
uvicorn has a limit for neither: it answers 503 to everybody once there are too many, however idle they are.
"""

import asyncio
from collections import Counter

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_AT_ONCE = 100
ANSWERED_WITHIN_S = 10.0


class Connection(H11Protocol):
    """One of a web server. `answered_within_s` counts from when it was made, or from the last answer on it."""

    answered_within_s = ANSWERED_WITHIN_S
    _since_s = 0.0
    _end: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._since_s = self.loop.time()
        self._count_anew()
        if len(self.connections) > MOST_AT_ONCE:
            self._make_room()

    def on_response_complete(self) -> None:
        self._count_anew()
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_counting()
        super().connection_lost(exc)

    @property
    def host(self) -> str:
        return self.client[0] if self.client is not None else ""

    @property
    def asks_nothing(self) -> bool:
        """No whole request has come that is still to be answered."""
        return self.cycle is None or self.cycle.response_complete or self.cycle.more_body

    def give_up(self) -> None:
        """At once, whatever is under way."""
        self.connections.discard(self)
        self.transport.abort()

    def _make_room(self) -> None:
        idle = [
            connection
            for connection in self.connections
            if isinstance(connection, Connection) and connection.asks_nothing
        ]
        (host, _held), *_ = Counter(connection.host for connection in idle).most_common(1)  # this one is among them
        oldest = min(
            (connection for connection in idle if connection.host == host), key=lambda connection: connection._since_s
        )
        if oldest is not self:
            oldest.give_up()

    def _count_anew(self) -> None:
        self._stop_counting()
        self._end = self.loop.call_later(self.answered_within_s, self.give_up)

    def _stop_counting(self) -> None:
        if self._end is not None:
            self._end.cancel()


def within(answered_within_s: float) -> type[Connection]:
    """Connections with a time of their own."""

    class Within(Connection):
        pass

    Within.answered_within_s = answered_within_s
    return Within
