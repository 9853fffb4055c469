"""A real Chromium without a window, told what to do over its debugging pipe (Chrome DevTools Protocol)."""

import base64
import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.services.parts import need
from tests.services.waiting import wait_until

_OPTIONS = (
    "--headless=new",
    "--remote-debugging-pipe",
    "--no-first-run",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--no-sandbox",  # as root it starts no other way; it only ever sees pages of this machine
)


class Chromium:
    """`with Chromium(folder) as browser:` one page, first empty. `folder` holds its profile."""

    def __init__(self, folder: Path) -> None:
        self._program, self._folder = need("chromium"), folder
        self._number, self._page = 0, ""
        self._rest = b""

    def __enter__(self) -> Self:
        hears, self._say = os.pipe()
        self._hear, says = os.pipe()
        command = ["bash", "-c", f'exec "$@" 3<&{hears} 4>&{says}', "-", self._program, *_OPTIONS]
        self._process = subprocess.Popen(
            [*command, f"--user-data-dir={self._folder}"],
            pass_fds=(hears, says),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(hears)
        os.close(says)
        target = self.tell("Target.createTarget", url="about:blank")["targetId"]
        self._page = self.tell("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.terminate()
        self._process.wait(20)
        os.close(self._say)
        os.close(self._hear)

    def tell(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command; its result."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._page:
            message["sessionId"] = self._page
        os.write(self._say, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                result: dict[str, Any] = answer["result"]
                return result

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            got = os.read(self._hear, 65_536)
            assert got, "Chromium has ended"
            self._rest += got
        one, _, self._rest = self._rest.partition(b"\0")
        found: dict[str, Any] = json.loads(one)
        return found

    def phone(self, width: int = 360, height: int = 740, *, dark: bool = False) -> None:
        """A narrow screen with fingers for a pointer."""
        self.tell("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=2, mobile=True)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.tell("Emulation.setEmulatedMedia", features=[scheme])

    def go(self, url: str) -> None:
        """Open a page; returns once it is there."""
        failed = self.tell("Page.navigate", url=url).get("errorText")
        assert not failed, f"{url}: {failed}"
        self.until(lambda: self.ask("document.readyState === 'complete' && location.href") == url, url)

    def ask(self, script: str) -> Any:
        """The value of a line of script in the page."""
        return self.tell("Runtime.evaluate", expression=script, returnByValue=True)["result"].get("value")

    def text(self) -> str:
        return str(self.ask("document.body.innerText"))

    def press(self, selector: str) -> None:
        """A press in the middle of an element, as a person would."""
        x, y, width, height = self.box(selector)
        at = {"x": x + width / 2, "y": y + height / 2, "button": "left", "clickCount": 1}
        self.tell("Input.dispatchMouseEvent", type="mousePressed", **at)
        self.tell("Input.dispatchMouseEvent", type="mouseReleased", **at)

    def box(self, selector: str) -> tuple[float, float, float, float]:
        """Left, top, width and height of an element in CSS pixels."""
        script = f"(r => [r.x, r.y, r.width, r.height])(document.querySelector({selector!r}).getBoundingClientRect())"
        left, top, width, height = self.ask(script)
        return left, top, width, height

    def until(self, holds: Callable[[], object], what: str) -> None:
        wait_until(holds, what, 15)

    def picture(self, file: Path) -> None:
        """What is on the screen, as PNG."""
        file.write_bytes(base64.b64decode(self.tell("Page.captureScreenshot", format="png")["data"]))
