"""The conversation with the broker: a kept session, at-least-once delivery, acknowledged by hand after the commit.

One thread drives it through `pump`; nothing here blocks longer than a connection attempt. paho-mqtt does the protocol.

    kept session    MQTT 5: clean start off, session expiry 30 days. 3.1.1: clean session off. The broker holds what
                    comes in while we are away.
    backpressure    Receive Maximum bounds what an MQTT 5 broker sends unacknowledged; beyond `hold_at` messages the
                    caller stops pumping and TCP does the rest.
    after a break   what was not acknowledged comes again with the same packet id; ids from before the break are
                    forgotten, since acknowledging an old id could acknowledge a new message that holds it now.
"""

import random
import select
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Literal

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector.config.written_files import trusting
from collector.domain.backoff import Backoff
from collector.intake.wake import Wake

RECEIVE_MAXIMUM = 1_000
"""Messages a broker may send ahead of our acknowledgement. No more than the intake remembers arrivals of: all of them
may come again after a break."""
_MOST_BYTES = 1024 * 1024
"""Longest message an MQTT 5 broker may send us, four times what the intake reads: one slip of a probe must not fill the
memory of a small board. The broker drops a longer one. With 3.1.1 only the broker's own settings bound it."""
_SESSION_EXPIRY_S = 30 * 86_400
_CONNECT_TIMEOUT_S = 3.0
_ANSWER_TIMEOUT_S = 10.0
_BACKOFF_S = Backoff(first=1.0, longest=60.0, spread=0.5)
_LAST_LOOKS, _LAST_WAIT_S, _LAST_MESSAGES = 20, 0.05, 100
_TAKEN_OVER = 0x8E
_QUICK_LOSS_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAccess:
    """Where and as whom to connect. `password` is never shown."""

    host: str
    port: int
    topic: str
    client_id: str
    username: str | None = None
    password: str | None = None
    tls: bool = False
    ca_file: Path | None = None
    version: Literal["5", "3.1.1"] = "5"
    keepalive_s: int = 30
    life_topic: str = ""
    """Where `tell` publishes; the broker says `last_will` there once we are lost. Empty: nowhere."""
    last_will: bytes = b""

    def __repr__(self) -> str:
        return f"BrokerAccess({self.host}:{self.port})"


class LinkState(Enum):
    UP = "up"
    DOWN = "down"
    REFUSED = "refused"
    """The broker or the network said no; `text` says what and what would be right."""


@dataclass(frozen=True, slots=True)
class LinkNews:
    """Something that changed about the link; `text` is one line for people."""

    link: LinkState
    text: str
    kept: bool = False
    """It came up, and the broker had kept our session: nothing published meanwhile was lost."""


class BrokerSession:
    """A connection that is kept up. `monotonic` is a clock for timeouts, in seconds."""

    def __init__(
        self,
        broker: BrokerAccess,
        on_message: Callable[[MQTTMessage], None],
        on_news: Callable[[LinkNews], None],
        monotonic: Callable[[], float],
        *,
        keep: bool = True,
        on_told: Callable[[str], None] = lambda _refusal: None,
        wake: Wake | None = None,
    ) -> None:
        """`keep=False`: a passing guest for whom the broker keeps nothing. `on_told` gets what the broker said to each
        `tell`: empty where it took it. `wake` ends a waiting `pump`; it stays its owner's to close."""
        self.broker = broker
        self._keep = keep
        self.received = 0
        self.up = False
        self._on_message = on_message
        self._on_news = on_news
        self._on_told = on_told
        self._monotonic = monotonic
        self._retry_at = 0.0
        self._attempts = 0
        self._untold = 0
        self._connected_at = 0.0
        self._quick_losses = 0
        self._misc_at = 0.0
        self._resumed = False
        self._answer_by: float | None = None
        self._wakes = [] if wake is None else [wake]
        self._client = self._make_client()

    def _make_client(self) -> Client:
        five = self.broker.version == "5"
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.broker.client_id,
            clean_session=None if five else not self._keep,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if self.broker.username is not None:
            client.username_pw_set(self.broker.username, self.broker.password)
        if self.broker.tls or self.broker.ca_file is not None:
            client.tls_set_context(trusting(self.broker.ca_file))
        if self.broker.life_topic:
            client.will_set(self.broker.life_topic, self.broker.last_will, qos=1, retain=True)
        client.connect_timeout = _CONNECT_TIMEOUT_S
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        client.on_publish = self._published
        return client

    def pump(self, timeout_s: float, limit: int, enough: Callable[[], bool] = lambda: False) -> int:
        """Wait up to `timeout_s` for traffic, read up to `limit` messages or until `enough`, keep the connection alive.

        Returns how many messages were handed to `on_message`.
        """
        before = self.received
        mqtt_socket = self._client.socket()
        if mqtt_socket is None:
            self._wait_and_retry(timeout_s)
        elif self._readable(mqtt_socket, timeout_s):
            self._read(limit, enough)
        self._keep_alive()
        return self.received - before

    def _readable(self, mqtt_socket: Any, timeout_s: float) -> bool:
        if isinstance(mqtt_socket, ssl.SSLSocket) and mqtt_socket.pending():
            return True
        writers = [mqtt_socket] if self._client.want_write() else []
        readers, writers, _ = select.select([mqtt_socket, *self._wakes], writers, [], max(0.0, timeout_s))
        self._clear_wakes()
        if writers:
            self._client.loop_write()
        return mqtt_socket in readers

    def _read(self, limit: int, enough: Callable[[], bool]) -> None:
        end = self.received + limit
        while self.received < end and not enough():
            last = self.received
            if self._client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS or self.received == last:
                return

    def _clear_wakes(self) -> None:
        for wake in self._wakes:
            wake.clear()

    def _keep_alive(self) -> None:
        now = self._monotonic()
        if now < self._misc_at:
            return
        self._misc_at = now + 1.0
        if self._client.socket() is None:
            return
        self._client.loop_misc()
        if self._answer_by is not None and now > self._answer_by:
            self._answer_by = None
            self._client.disconnect()
            self._lost(
                f"{self._where()}: connected, but no MQTT answer within {_ANSWER_TIMEOUT_S:.0f} s; is it a broker?"
            )

    def _wait_and_retry(self, timeout_s: float) -> None:
        wait_s = min(max(0.0, timeout_s), max(0.0, self._retry_at - self._monotonic()))
        select.select(self._wakes, [], [], wait_s)
        self._clear_wakes()
        if self._monotonic() >= self._retry_at:
            self._connect()

    def _connect(self) -> None:
        self._set_retry()
        try:
            if self.broker.version == "5":
                properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                properties.SessionExpiryInterval = _SESSION_EXPIRY_S if self._keep else 0
                properties.ReceiveMaximum = RECEIVE_MAXIMUM
                properties.MaximumPacketSize = _MOST_BYTES
                self._client.connect(
                    self.broker.host,
                    self.broker.port,
                    self.broker.keepalive_s,
                    clean_start=not self._keep,
                    properties=properties,
                )
            else:
                self._client.connect(self.broker.host, self.broker.port, self.broker.keepalive_s)
        except (OSError, ValueError) as error:
            self._lost(f"{self._where()}: {explain(error, self.broker)}")
        else:
            self._answer_by = self._monotonic() + _ANSWER_TIMEOUT_S

    def _set_retry(self) -> None:
        self._retry_at = self._monotonic() + _BACKOFF_S.wait(self._attempts, random.random())  # noqa: S311  spread
        self._attempts += 1

    def _where(self) -> str:
        return f"broker {self.broker.host}:{self.broker.port}"

    def _connected(
        self, client: Client, _data: Any, flags: ConnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self._answer_by = None
        if reason.is_failure:
            self._on_news(LinkNews(LinkState.REFUSED, f"{self._where()} refused us: {_refusal(reason)}"))
            return
        self.up = True
        self._connected_at = self._monotonic()
        if self.broker.version == "5":  # retained messages once, when the subscription is new, not at each reconnect
            client.subscribe(self.broker.topic, options=SubscribeOptions(qos=1, retainHandling=1))
        else:
            client.subscribe(self.broker.topic, qos=1)
        self._resumed = bool(flags.session_present)

    def _subscribed(
        self, client: Client, _data: Any, _mid: int, reasons: list[ReasonCode], _properties: Properties | None
    ) -> None:
        """Only now does the broker send what comes in."""
        if any(reason.is_failure for reason in reasons):
            self.up = False  # the end of this connection is ours, and no second piece of news
            text = f"does not let us read '{self.broker.topic}': {reasons[0]}; check its access rules"
            self._on_news(LinkNews(LinkState.REFUSED, f"{self._where()} {text}"))
            client.disconnect()
            return
        kept = "session resumed" if self._resumed else "new session"
        self._on_news(LinkNews(LinkState.UP, f"{self._where()} connected, {kept}", self._resumed))

    def _disconnected(
        self, _client: Client, _data: Any, _flags: DisconnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if not self.up:
            return
        lasted_s = self._monotonic() - self._connected_at
        quick = lasted_s < _QUICK_LOSS_S
        self._quick_losses = self._quick_losses + 1 if quick else 0
        if not quick:
            self._attempts = 0
        self._set_retry()
        self._lost(f"{self._where()} connection lost{self._cause(reason)}")

    def _cause(self, reason: ReasonCode) -> str:
        other = (
            f"another program uses the client id '{self.broker.client_id}'; "
            "stop it, or set TRAYWARDEN_MQTT__CLIENT_ID to a name of its own"
        )
        if reason.value == _TAKEN_OVER:
            return f": {other}"
        if self._quick_losses >= 2:  # 3.1.1 has no word for it, and not every MQTT 5 broker says it
            return f" {self._quick_losses} times within seconds of connecting: perhaps {other}"
        return f": {reason}" if reason.is_failure else ""

    def _lost(self, text: str) -> None:
        self.up = False
        self._answer_by = None
        self._on_news(LinkNews(LinkState.DOWN, text))

    def _message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.received += 1
        self._on_message(message)

    def acknowledge(self, mids: list[int]) -> None:
        """Tell the broker that these messages (packet ids of this connection) are safe."""
        ack = self._client.ack
        for mid in mids:
            ack(mid, 1)

    def tell(self, payload: bytes) -> None:
        """Publish to the topic of life, retained, at least once. For a connection that is up."""
        self._untold += 1
        self._client.publish(self.broker.life_topic, payload, qos=1, retain=True)

    def _published(
        self, _client: Client, _data: Any, _mid: int, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        refused = f"{self._where()} did not take '{self.broker.life_topic}': {str(reason).lower()}"
        self._untold -= 1
        self._on_told(refused if reason.is_failure else "")

    def close(self) -> None:
        """Disconnect in an orderly way; the broker keeps the session. May be called again."""
        self.up = False
        self._hear_out()
        if self._client.socket() is not None:
            self._client.disconnect()
            self._client.loop_write()

    def _hear_out(self) -> None:
        """Read what is still coming, for a moment and for nobody. The answer to the last sign of life, or any message,
        left unread would make the system reset the connection, and the broker say the last will after all."""
        self._on_message = lambda _message: None
        for _ in range(_LAST_LOOKS):
            mqtt_socket = self._client.socket()
            if mqtt_socket is None:
                return
            if self._readable(mqtt_socket, _LAST_WAIT_S if self._untold else 0.0):
                self._read(_LAST_MESSAGES, lambda: False)
            elif not self._untold:
                return


def _refusal(reason: ReasonCode) -> str:
    text = str(reason).lower()
    if "user name" in text or "not authorized" in text:
        return f"{text}; check TRAYWARDEN_MQTT__USERNAME and TRAYWARDEN_MQTT__PASSWORD"
    return text


def explain(error: Exception, broker: BrokerAccess) -> str:
    """Why a connection attempt failed and what would be right, in one line."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"its certificate is not trusted ({error.verify_message}); check TRAYWARDEN_MQTT__CA_FILE and the host name"
        )
    if isinstance(error, ssl.SSLError):
        return f"TLS failed ({error.reason or error}); does this port speak TLS?"
    if isinstance(error, socket.gaierror):
        return f"no such host '{broker.host}'; check TRAYWARDEN_MQTT__HOST"
    if isinstance(error, ConnectionRefusedError):
        return "nothing listens there; is the broker running, and TRAYWARDEN_MQTT__PORT right?"
    if isinstance(error, TimeoutError):
        return "no answer; check the network and TRAYWARDEN_MQTT__HOST"
    return str(error)
