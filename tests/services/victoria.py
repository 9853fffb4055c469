"""A real database that takes the write API v2: Debian's victoria-metrics on a free loopback port."""

import json
import subprocess
import urllib.parse
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.services.free_port import answers, free_port
from tests.services.parts import need
from tests.services.waiting import wait_until


class Victoria:
    """Its data is in `folder`, so it keeps what it got over `stop` and `start`."""

    def __init__(self, folder: Path) -> None:
        self.program = need("victoria-metrics")
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Returns once it answers."""
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    self.program,
                    f"-httpListenAddr=127.0.0.1:{self.port}",
                    f"-storageDataPath={self.folder / 'data'}",
                    "-retentionPeriod=100y",
                    "-search.latencyOffset=0s",
                    "-search.disableCache",
                ],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        wait_until(lambda: answers(self.port), f"victoria-metrics on port {self.port}")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None

    def held(self, selector: str) -> dict[tuple[str, ...], list[tuple[int, float]]]:
        """Every value kept of the series that a selector names: (lab, place, probe) -> [(time in ms, value)]."""
        self._get("/internal/force_flush")
        text = self._get(f"/api/v1/export?{urllib.parse.urlencode({'match[]': selector})}")
        found: dict[tuple[str, ...], list[tuple[int, float]]] = {}
        for row in map(json.loads, text.splitlines()):
            tags: dict[str, Any] = row["metric"]
            key = (tags.get("lab", ""), tags.get("place", ""), tags.get("probe", ""))
            found.setdefault(key, []).extend(zip(row["timestamps"], row["values"], strict=True))
        return {key: sorted(values) for key, values in found.items()}

    def _get(self, path: str) -> str:
        with urllib.request.urlopen(self.url + path, timeout=20) as answer:  # noqa: S310 - our own loopback
            return str(answer.read().decode())
