"""The pages as HTML: plain, for a phone first, no script. Everything that comes from outside is escaped."""

import base64
import hashlib

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from collector.board.port import AlarmPage

LOOK_AGAIN_S = 3


class HtmlPages:
    """`style_hash` is what the content security policy lets through."""

    def __init__(self) -> None:
        loader = PackageLoader("collector.board", "templates")
        self._jinja = Environment(
            loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
        )
        style = loader.get_source(self._jinja, "board.css")[0]
        self._jinja.globals["style"] = Markup(style)  # noqa: S704  ours, from the package
        digest = hashlib.sha256(style.encode("utf-8")).digest()
        self.style_hash = f"sha256-{base64.b64encode(digest).decode('ascii')}"

    def alarm(self, page: AlarmPage, problem: str = "") -> HTMLResponse:
        """One alarm with its button. `problem`: why the press of the button did nothing."""
        again_s = LOOK_AGAIN_S if page.waiting else 0
        return self._answer("alarm.html", 409 if problem else 200, page=page, problem=problem, again_s=again_s)

    def notice(self, status: int, title: str, *lines: str) -> HTMLResponse:
        """A page that only says something."""
        return self._answer("notice.html", status, title=title, lines=lines)

    def _answer(self, template: str, status: int, **values: object) -> HTMLResponse:
        return HTMLResponse(self._jinja.get_template(template).render(**values), status)
