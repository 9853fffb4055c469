"""One write to the other end, and what its answer means.

TooLarge    413: send it in smaller pieces
NeverTaken     400, 422 and other 4xx about what was sent: it will never be taken as it is
Later       the network, 429, 5xx, and 401, 403, 404: nothing is wrong with the data; try again, after `after_s` where
            the answer said so. A wrong token or bucket is for a person to mend, and the data waits for that. So is a
            2xx that is no 204: the write API gives no other, but a login page or a proxy does.
"""

from collections.abc import Sequence
from email.utils import parsedate_to_datetime
from io import BytesIO
from typing import Any, Protocol

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3 import HTTPResponse

from collector.delivery.bounded import NoAnswer, Request, ask
from collector.uplink.destination import Destination

_WAITS = (401, 403, 404, 408, 425, 429)
_LONGEST_WAIT_S = 3_600.0
_LINE = 250
"""Characters kept of what an answer says."""
_MS: Any = WritePrecision.MS
_OF_THE_BODY = ("content-encoding", "content-length", "transfer-encoding")
"""Said of the body as it came, which is unpacked by now."""


class NotTaken(Exception):
    """One line for `status`, without secrets."""


class TooLarge(NotTaken):
    """Send less at once."""


class NeverTaken(NotTaken):
    """It will never be taken as it is."""


class Later(NotTaken):
    """Try again."""

    def __init__(self, reason: str, after_s: float | None = None) -> None:
        self.after_s = after_s
        super().__init__(reason)


class Writer(Protocol):
    """Takes lines or raises NotTaken."""

    def write(self, lines: Sequence[str], now_ms: int) -> None: ...
    def close(self) -> None: ...


class InfluxWriter:
    """Anything that takes the write API v2, compressed."""

    def __init__(self, settings: Destination) -> None:
        self._settings = settings
        self._client = InfluxDBClient(
            settings.url,
            settings.token,
            org=settings.org or "-",
            timeout=round(settings.timeout_s * 1000),
            enable_gzip=True,
            retries=False,
        )
        self._transport = _Transport(settings.timeout_s)
        rest: Any = self._client.api_client.rest_client
        rest.pool_manager = self._transport
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, lines: Sequence[str], now_ms: int) -> None:
        try:
            self._api.write(self._settings.bucket, self._settings.org or "-", "\n".join(lines), write_precision=_MS)
        except ApiException as error:
            raise _meaning(error, now_ms, self._settings.token) from None
        except NoAnswer as error:
            raise Later(f"{self._settings.url} {error}") from None
        if self._transport.status != 204:
            told = f"{self._settings.url} answered {self._transport.status} where a write API gives 204"
            raise Later(f"{told}; is it a login page or a proxy? See TRAYWARDEN_UPLINK__URL")

    def close(self) -> None:
        self._api.close()
        self._client.close()


class _Transport:
    """Stands in the client's place for a pool of connections: each answer is read within bounds. The client itself
    reads a body to its end, and unpacks it, however large it becomes."""

    def __init__(self, deadline_s: float) -> None:
        self._deadline_s = deadline_s
        self.status: int | None = None
        """Of the last answer."""

    def request(self, method: str, url: str, *, headers: dict[str, str], body: Any = None, **_: Any) -> HTTPResponse:
        """Raises NoAnswer."""
        self.status = None
        sent = {**headers, "Accept-Encoding": "identity"}
        answer = ask(Request(method=method, url=url, headers=sent, body=body, deadline_s=self._deadline_s))
        self.status = answer.status
        kept = {name: value for name, value in answer.headers.items() if name.lower() not in _OF_THE_BODY}
        text = answer.body.decode("utf-8", "replace").encode()  # the client takes nothing but UTF-8
        return HTTPResponse(body=BytesIO(text), headers=kept, status=answer.status, reason=answer.reason)

    def clear(self) -> None:
        """Nothing is kept open."""


def _meaning(error: ApiException, now_ms: int, token: str) -> NotTaken:
    status = error.status or 0
    line = f"the database answered {status} {error.reason or ''}".rstrip() + _said(error)
    if token:
        line = line.replace(token, "***")  # some servers repeat it
    line = line[:_LINE]
    if status == 413:
        return TooLarge(line)
    if 400 <= status < 500 and status not in _WAITS:
        return NeverTaken(line)
    hints = {
        401: "TRAYWARDEN_UPLINK__TOKEN",
        403: "TRAYWARDEN_UPLINK__TOKEN",
        404: "TRAYWARDEN_UPLINK__BUCKET and __ORG",
    }
    hint = f"; see {hints[status]}" if status in hints else ""
    return Later(line + hint, _retry_after_s(error, now_ms))


def _said(error: ApiException) -> str:
    """The answer's text, printable and on one line."""
    body = error.body if isinstance(error.body, str) else (error.body or b"").decode("utf-8", "replace")
    text = "".join(char if char.isprintable() else " " for char in body)
    return f": {' '.join(text.split())}" if text.strip() else ""


def _retry_after_s(error: ApiException, now_ms: int) -> float | None:
    """Retry-After in seconds or as a date (RFC 9110 section 10.2.3); None where there is none or it is neither."""
    headers: Any = error.headers or {}
    given = str(headers.get("Retry-After", "")).strip()
    if given.isdigit():
        return min(float(given), _LONGEST_WAIT_S)
    try:
        until_ms = parsedate_to_datetime(given).timestamp() * 1000
    except (ValueError, TypeError):
        return None
    return min(max(0.0, (until_ms - now_ms) / 1000), _LONGEST_WAIT_S)
