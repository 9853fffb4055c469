"""Just enough of MQTT 3.1.1 (OASIS standard, 2014) to publish with QoS 1: each message is sent until it is confirmed.

There is no session at the broker to keep: what is not confirmed is kept here and sent again as a new message.
"""

import binascii
import socket
import struct

from trouble import Trouble, words

_ANSWER_S = 10
_REFUSALS = {
    1: "it does not speak MQTT 3.1.1",
    2: "it does not take the client id",
    3: "it is not ready",
    4: "user name or password is wrong; see broker.username and broker.password",
    5: "user name or password is wrong; see broker.username and broker.password",
}


def _length(size):
    """Section 2.2.3: seven bits an octet, lowest first."""
    octets = bytearray()
    while True:
        size, octet = size >> 7, size & 0x7F
        octets.append(octet | 0x80 if size else octet)
        if not size:
            return bytes(octets)


def _text(text):
    octets = text.encode()
    return struct.pack("!H", len(octets)) + octets


def _packet(first, rest):
    return bytes([first]) + _length(len(rest)) + rest


def certificate(pem):
    """The first certificate of a PEM file's text as DER, which every port of MicroPython takes."""
    begin, end = "-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----"
    if begin not in pem or end not in pem:
        raise Trouble("it holds no line '%s'" % begin)
    return binascii.a2b_base64("".join(pem.split(begin, 1)[1].split(end, 1)[0].split()))


class Broker:
    """A connection that is made when it is needed. `open` and `publish` raise Trouble, and it is closed then."""

    def __init__(self, host, port, client_id, username=None, password=None, ca=None, keepalive_s=120):
        self.where = "%s:%d" % (host, port)
        self._host, self._port, self._ca = host, port, ca
        self._hello = self._connect_packet(client_id, username, password, keepalive_s)
        self._socket = None
        self._packet_id = 0

    @property
    def is_open(self):
        return self._socket is not None

    def open(self):
        try:
            self._socket = self._reach()
            self._write(self._hello)
            answer = self._read(4)
        except (OSError, ValueError) as error:
            self.close()
            raise Trouble("no answer from the broker at %s: %s" % (self.where, words(error))) from None
        if answer[:2] != b"\x20\x02" or answer[3]:
            self.close()
            why = _REFUSALS.get(answer[3], "code %d" % answer[3]) if answer[:1] == b"\x20" else "that is no MQTT broker"
            raise Trouble("the broker at %s refused: %s" % (self.where, why))

    def publish(self, topic, payload):
        """Returns when the broker has confirmed it."""
        self._packet_id = self._packet_id % 65535 + 1
        identifier = struct.pack("!H", self._packet_id)
        try:
            self._write(_packet(0x32, _text(topic) + identifier + payload.encode()))
            while True:
                kind, rest = self._receive()
                if kind == 0x40 and rest[:2] == identifier:
                    return
        except (OSError, ValueError) as error:
            self.close()
            raise Trouble("the broker at %s did not confirm: %s" % (self.where, words(error))) from None

    def leave(self):
        """Says goodbye, so that the broker does not wait for us."""
        if self._socket is not None:
            try:
                self._write(b"\xe0\x00")
            except OSError:
                pass
        self.close()

    def close(self):
        if self._socket is not None:
            try:
                self._socket.close()
            except OSError:
                pass
            self._socket = None

    def _connect_packet(self, client_id, username, password, keepalive_s):
        flags, rest = 0x02, _text(client_id)  # clean session
        if username is not None:
            flags, rest = flags | 0x80, rest + _text(username)
        if password is not None:
            flags, rest = flags | 0x40, rest + _text(password)
        return _packet(0x10, _text("MQTT") + bytes([4, flags]) + struct.pack("!H", keepalive_s) + rest)

    def _reach(self):
        try:
            address = socket.getaddrinfo(self._host, self._port, 0, socket.SOCK_STREAM)[0][-1]
        except OSError:
            raise ValueError("nobody in this network knows that name; see broker.host") from None
        plain = socket.socket()
        try:
            plain.settimeout(_ANSWER_S)
            plain.connect(address)
            return plain if self._ca is None else self._wrap(plain)
        except (OSError, ValueError):
            plain.close()
            raise

    def _wrap(self, plain):
        import ssl

        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(cadata=self._ca)
        return context.wrap_socket(plain, server_hostname=self._host)

    def _receive(self):
        kind = self._read(1)[0]
        size = shift = 0
        while True:
            octet = self._read(1)[0]
            size |= (octet & 0x7F) << shift
            shift += 7
            if not octet & 0x80:
                break
            if shift > 21:
                raise ValueError("not MQTT")
        if size > 256:
            raise ValueError("an answer of %d octets" % size)
        return kind, self._read(size) if size else b""

    def _read(self, size):
        octets = b""
        while len(octets) < size:
            more = self._socket.read(size - len(octets))
            if more is None:
                raise OSError("no answer within %d s" % _ANSWER_S)
            if not more:
                raise OSError("it closed the connection")
            octets += more
        return octets

    def _write(self, octets):
        sent = 0
        while sent < len(octets):
            done = self._socket.write(octets[sent:])
            if done is None:
                raise OSError("it takes nothing")
            sent += done
