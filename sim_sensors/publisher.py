"""Publishes a run to any MQTT broker, at its pace, and waits for what the broker confirms.

PublishError   the broker cannot be used as told (address, password, certificate, file): say so and stop
A connection lost on the way is no error: it is made again with growing pauses, and what was not confirmed is sent
again, so a pack may arrive twice but none is lost while the publisher runs.
"""

import secrets
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sim_sensors.clock import Clock
from sim_sensors.pack import QOS, Pack

LOOK_S = 0.5
"""Longest wait before the clock is looked at again, so that a clock that was set is noticed."""
FIRST_PAUSE_S = 1
LONGEST_PAUSE_S = 30


class PublishError(Exception):
    """One line: which broker, what is wrong, what to do."""


@dataclass(frozen=True, slots=True)
class Played:
    sent: int
    confirmed: int
    """Packs the broker has acknowledged; less than `sent` where it was gone at the end."""


def _silent(line: str) -> None:
    """Tells nobody."""


class Publisher:
    """One connection to a broker for one run. `tell` gets a line when the connection is lost or back, from the
    network thread."""

    def __init__(
        self,
        host: str,
        port: int = 1883,
        *,
        username: str | None = None,
        password: str | None = None,
        ca_file: str | None = None,
        tls: bool = False,
        max_inflight: int = 50,
        connect_within_s: float = 10.0,
        drain_within_s: float = 10.0,
        tell: Callable[[str], None] = _silent,
    ) -> None:
        self._broker = f"{host}:{port}"
        self._address = (host, port)
        self._max_inflight = max_inflight
        self._connect_within_s = connect_within_s
        self._drain_within_s = drain_within_s
        self._tell = tell
        self._changed = threading.Condition()
        self._sent = 0
        self._confirmed = 0
        self._up = False
        self._was_up = False
        self._refused: PublishError | None = None
        self._client = self._make_client(username, password, ca_file, tls)

    def _make_client(self, username: str | None, password: str | None, ca_file: str | None, tls: bool) -> mqtt.Client:
        name = f"traywarden-sim-{secrets.token_hex(4)}"
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311)
        if username is not None:
            client.username_pw_set(username, password)
        if tls or ca_file is not None:
            try:
                client.tls_set(ca_certs=ca_file)
            except (OSError, ssl.SSLError) as wrong:
                raise PublishError(f"CA file {ca_file}: {wrong}; give a file of certificates in PEM form") from None
        client.max_inflight_messages_set(self._max_inflight)
        client.reconnect_delay_set(FIRST_PAUSE_S, LONGEST_PAUSE_S)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._acknowledged
        return client

    def play(self, run: Iterable[Pack], *, clock: Clock, pace: float, stop: threading.Event) -> Played:
        """Publishes each pack once `clock` has reached its time; an hour of the clock takes 1/pace real hours. Returns
        at the end of `run` or soon after `stop` is set. Raises PublishError where the broker cannot be used."""
        if not self._connect(stop):
            return Played(0, 0)
        try:
            for pack in run:
                if not self._wait_until(pack.t_ms, clock, pace, stop) or not self._wait_for_room(stop):
                    break
                self._client.publish(pack.topic, pack.payload, qos=QOS, retain=pack.retain)
                self._sent += 1
            self._drain()
        finally:
            self._client.disconnect()
            self._client.loop_stop()
        return self.so_far

    @property
    def so_far(self) -> Played:
        """How it stands; may be asked from any thread."""
        with self._changed:
            return Played(self._sent, self._confirmed)

    def _connect(self, stop: threading.Event) -> bool:
        """The first connection, tried for a while; afterwards the network thread keeps it up. False where `stop` came
        first."""
        pause, give_up = 0.1, time.monotonic() + self._connect_within_s
        while not self._reached(last=time.monotonic() + pause > give_up):
            if stop.wait(pause):
                return False
            pause = min(2.0, pause * 2)
        self._client.loop_start()
        self._await(lambda: self._up or self._refused is not None, self._connect_within_s)
        if self._up:
            return True
        self._client.disconnect()
        self._client.loop_stop()
        raise self._refused or PublishError(f"{self._broker} took the connection but never answered; is it a broker?")

    def _reached(self, last: bool) -> bool:
        """One try to connect; what another try would not mend is raised, and on the `last` one anything."""
        try:
            self._client.connect(*self._address)
        except ssl.SSLCertVerificationError as wrong:
            why = wrong.verify_message
            raise PublishError(f"broker {self._broker}: certificate not trusted ({why}); check the CA file") from None
        except ValueError as wrong:
            raise PublishError(f"broker {self._broker}: {wrong}") from None
        except OSError as wrong:
            if last:
                raise PublishError(f"no broker at {self._broker} ({wrong}); is it running?") from None
            return False
        return True

    def _wait_until(self, t_ms: int, clock: Clock, pace: float, stop: threading.Event) -> bool:
        """False where `stop` or a refusal came first."""
        while not stop.is_set():
            if self._refused is not None:
                raise self._refused
            left_s = (t_ms - clock()) / 1000 / pace
            if left_s <= 0:
                return True
            stop.wait(min(left_s, LOOK_S))
        return False

    def _wait_for_room(self, stop: threading.Event) -> bool:
        """Holds back while `max_inflight` packs are unconfirmed: memory stays bounded however long a broker is away."""

        def ready() -> bool:
            return self._sent - self._confirmed < self._max_inflight or self._refused is not None

        while not stop.is_set():
            if self._await(ready, LOOK_S):
                return True
        return False

    def _drain(self) -> None:
        self._await(lambda: self._confirmed >= self._sent or self._refused is not None, self._drain_within_s)

    def _await(self, ready: Callable[[], bool], seconds: float) -> bool:
        with self._changed:
            return self._changed.wait_for(ready, seconds)

    def _connected(
        self, client: mqtt.Client, userdata: Any, flags: mqtt.ConnectFlags, code: ReasonCode, props: Properties | None
    ) -> None:
        with self._changed:
            self._up = not code.is_failure
            if self._up:
                self._was_up = True
            elif _about_login(code):
                hint = "check SIM_SENSORS_USERNAME and SIM_SENSORS_PASSWORD"
                self._refused = PublishError(f"broker {self._broker} refused the connection: {code}; {hint}")
            elif not self._was_up:
                self._refused = PublishError(f"broker {self._broker} refused the connection: {code}; see its log")
            self._changed.notify_all()

    def _disconnected(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.DisconnectFlags,
        code: ReasonCode,
        props: Properties | None,
    ) -> None:
        with self._changed:
            was_up, self._up = self._up, False
            self._changed.notify_all()
        if was_up and code.is_failure:
            self._tell(f"broker {self._broker} lost ({code}); trying again")

    def _acknowledged(
        self, client: mqtt.Client, userdata: Any, mid: int, code: ReasonCode, props: Properties | None
    ) -> None:
        with self._changed:
            self._confirmed += 1
            self._changed.notify_all()


def _about_login(code: ReasonCode) -> bool:
    return str(code) in ("Bad user name or password", "Not authorized")
