"""What keeps the pages harmless: headers on every answer, small bodies, clicks from our own pages, few guesses."""

import asyncio
from collections.abc import Callable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 1_024
"""A press of the button sends none."""
_BODY_WITHIN_S = 5.0
WRONG_A_MINUTE = 30
"""Wrong links answered; further ones are turned away unread. Good links are always served."""
_MINUTE_S = 60.0
_FROM_ELSEWHERE = ("cross-site", "same-site")


class SafeHeaders:
    """Adds to every answer: nothing but our own style is loaded, nothing is kept, framed, indexed or passed on."""

    def __init__(self, app: ASGIApp, style_hash: str) -> None:
        self._app = app
        policy = f"default-src 'none'; style-src '{style_hash}'; form-action 'self'; base-uri 'none'"
        self._headers = {
            "Content-Security-Policy": f"{policy}; frame-ancestors 'none'",
            "Referrer-Policy": "no-referrer",
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
            "X-Robots-Tag": "noindex, nofollow",
            "Cache-Control": "no-store",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(self._headers)
            await send(message)

        await self._app(scope, receive, with_headers)


def from_elsewhere(headers: Headers, own_host: str) -> bool:
    """Whether another site's page sent this. Our pages ask for no referrer, for which browsers say `Origin: null`; then
    Sec-Fetch-Site tells, where the browser sends it. `own_host`: as people reach the pages, empty where not known."""
    if headers.get("sec-fetch-site", "") in _FROM_ELSEWHERE:
        return True
    origin = headers.get("origin", "null")
    return origin != "null" and urlsplit(origin).netloc not in {headers.get("host", ""), own_host} - {""}


async def body_is_small(request: Request) -> bool:
    """Reads the body, no further than the bound and for a few seconds; what it says does not matter."""
    size = 0
    try:
        async with asyncio.timeout(_BODY_WITHIN_S):
            async for part in request.stream():
                size += len(part)
                if size > MOST_BODY_BYTES:
                    return False
    except (TimeoutError, ClientDisconnect):
        return False
    return True


class WrongLinks:
    """Counts wrong links by the minute. `ticks`: seconds that only go up."""

    def __init__(self, ticks: Callable[[], float]) -> None:
        self._ticks = ticks
        self._began, self._count = ticks(), 0

    def too_many(self) -> bool:
        """Count one more; whether it is beyond the bound."""
        now = self._ticks()
        if now - self._began >= _MINUTE_S:
            self._began, self._count = now, 0
        self._count += 1
        return self._count > WRONG_A_MINUTE
