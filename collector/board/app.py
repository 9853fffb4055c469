"""The web application: the page behind a link in a message, with one button.

Opening a page changes nothing, so that programs that look into links (mail scanners, previews, prefetching) do nothing
either; only a press of the button is passed on, as a request to the collector. Whoever has the link may press it: no
login, no cookie, no script.
"""

from collections.abc import Callable

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from collector.board.guard import SafeHeaders, WrongLinks, body_is_small, from_elsewhere
from collector.board.pages import HtmlPages
from collector.board.port import LinkDesk, LinkWrong, NotNow
from collector.config.log import Log

_NEWER = "The newest message about this place has a link of its own; or use the command line."
_WHOLE = "Some mail programs break long links: copy the whole link from the message, or use the command line."


class _Board:
    def __init__(self, desk: LinkDesk, ticks: Callable[[], float], log: Log, own_host: str) -> None:
        self._desk, self._log, self._own_host = desk, log, own_host
        self._wrong = WrongLinks(ticks)
        self.pages = HtmlPages()

    async def front(self, _request: Request) -> Response:
        """The page at the root, which only says what there is."""
        return self.pages.notice(
            200, "Traywarden", "The links in messages lead here: each opens one alarm.", "There is no other page yet."
        )

    async def link(self, request: Request) -> Response:
        """GET and HEAD show, POST presses the button; all that can go wrong has a page."""
        try:
            return await (self._press(request) if request.method == "POST" else self._show(request))
        except LinkWrong as wrong:
            return self._refused(wrong)
        except NotNow as trouble:
            self._log.warning(f"the board cannot serve a link: {trouble}")
            return self.pages.notice(
                503, "Not now", _first_up(str(trouble)), "Nothing was changed. Try again in a moment."
            )
        except Exception as error:  # noqa: BLE001  a traceback could repeat the link, which is a secret
            self._log.error(f"the board met a mistake in the program: {type(error).__name__}")
            return self.pages.notice(500, "Something went wrong", "A mistake in the program; nothing was changed.")

    async def _show(self, request: Request) -> Response:
        return self.pages.alarm(await run_in_threadpool(self._desk.look, request.path_params["token"]))

    async def _press(self, request: Request) -> Response:
        token = request.path_params["token"]
        if from_elsewhere(request.headers, self._own_host):
            return self.pages.notice(
                403, "Not from here", "The button was pressed on a page of another site.", "Open the link itself."
            )
        if not await body_is_small(request):
            answer = self.pages.notice(413, "Too much", "More was sent than a button sends; nothing was changed.")
            answer.headers["Connection"] = "close"
            return answer
        problem = await run_in_threadpool(self._desk.acknowledge, token)
        if problem:
            return self.pages.alarm(await run_in_threadpool(self._desk.look, token), problem)
        return RedirectResponse(token, 303)  # so that loading the page again presses nothing again

    def _refused(self, wrong: LinkWrong) -> Response:
        if wrong.expired:
            return self.pages.notice(410, "This link is too old", _first_up(str(wrong)), _NEWER)
        if self._wrong.too_many():
            answer = self.pages.notice(429, "Too many wrong links", "Try again in a minute.")
            answer.headers["Retry-After"] = "60"
            return answer
        self._log(f"a link was refused: {wrong}")
        return self.pages.notice(404, "This link does not work", _first_up(str(wrong)), _WHOLE)

    async def other(self, _request: Request, error: Exception) -> Response:
        """What the routes do not take: no such page, no such method."""
        status, headers = (error.status_code, error.headers) if isinstance(error, HTTPException) else (500, None)
        answer = self.pages.notice(status, "No such page", "The links in messages lead here.")
        answer.headers.update(headers or {})
        return answer


def _first_up(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def make_app(desk: LinkDesk, ticks: Callable[[], float], log: Log, own_host: str = "") -> Starlette:
    """`ticks`: seconds that only go up. `log` gets lines without secrets. `own_host`: 'host:port' of the address people
    use, where a proxy in front changes it."""
    board = _Board(desk, ticks, log, own_host)
    return Starlette(
        routes=[
            Route("/", board.front, methods=["GET"]),
            Route("/acknowledge/{token}", board.link, methods=["GET", "POST"]),
        ],
        middleware=[Middleware(SafeHeaders, style_hash=board.pages.style_hash)],
        exception_handlers={HTTPException: board.other},
    )
