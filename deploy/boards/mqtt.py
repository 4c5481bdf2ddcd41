"""MQTT 3.1.1 over one socket that never blocks: QoS 0 and 1, a will, a keepalive that is watched from this side too.

Runs in MicroPython and in CPython. It reads no clock: every call is told `now`, milliseconds that only rise. It keeps no
message: what cannot leave at once, or is not acknowledged in time, ends the connection, and nothing is sent again after it.
Names and numbers as in the standard (MQTT Version 3.1.1, OASIS 2014).
"""

import errno
import select
import socket
import struct

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

DOWN = 0
DIALLING = 1
GREETING = 2
UP = 3

DIAL_MS = 1000
"""The longest that a connection may take to stand; a broker in the same house answers in a few milliseconds."""
SHAKE_MS = 8000
"""The same with TLS: small processors take seconds for the arithmetic of its handshake."""
GREET_MS = 3000
ANSWER_MS = 2000
"""The longest that the broker may take to answer a ping or to acknowledge: then it is gone."""
QUIET_MS = 2000
"""So long nothing heard, and it is pinged."""
DRAIN_MS = 1500
"""The longest that bytes may wait for room in the socket: what is older is not worth sending."""
LARGEST_IN = 1024
LARGEST_OUT = 2048
"""Bytes. A larger packet that comes is passed over; what would wait beyond that ends the connection."""

_CONNACK = 0x20
_PUBLISH = 0x30
_PUBACK = 0x40
_SUBACK = 0x90
_PINGRESP = 0xD0
_REFUSALS = (
    "",
    "it does not speak MQTT 3.1.1",
    "it does not like the client id",
    "it is not available",
    "wrong user name or password",
    "this login may not connect",
)


def _text(text: str) -> bytes:
    raw = text.encode()
    return struct.pack(">H", len(raw)) + raw


def packet(first: int, body: bytes) -> bytes:
    """One control packet: its first byte, the length of the rest in 7 bits a byte, the rest."""
    head = bytearray([first])
    left = len(body)
    while True:
        left, seven = left >> 7, left & 0x7F
        head.append(seven | 0x80 if left else seven)
        if not left:
            return bytes(head) + body


class Client:
    """One connection after another to one broker.

    Args:
        broker: `host` (a numeric address, so that nothing waits for a name), `port`, and maybe `username`, `password`.
        client_id: unique at the broker.
        will: topic and payload that the broker says, retained, when this client is gone without a word.
        heard: is called with topic, payload and whether the broker had retained it.
        keepalive: seconds; the broker speaks the will after one and a half times it.
        wrap: makes a TLS stream of a connected socket; None: plain.
    """

    def __init__(
        self,
        broker: "dict[str, Any]",
        client_id: str,
        will: "tuple[str, bytes]",
        heard: "Callable[[str, bytes, bool], None]",
        keepalive: int = 5,
        wrap: "Callable[[Any], Any] | None" = None,
    ) -> None:
        self.phase = DOWN
        self.why = ""
        """What ended the last connection, or kept it from standing."""
        self.refused = False
        """The broker answered, and does not want us: only a person can help."""
        self.subscribed = False
        self._broker = broker
        self._id = client_id
        self._will = will
        self._heard = heard
        self._keepalive = keepalive
        self._wrap = wrap
        self._poll = select.poll()
        self._sock: "Any" = None
        self._stream: "Any" = None
        self._in = bytearray()
        self._skip = 0
        self._out = b""
        self._since = 0
        self._heard_at = 0
        self._said_at = 0
        self._asked_at = -1
        self._stuck_at = -1
        self._unacknowledged: "dict[int, int]" = {}
        self._last_id = 0

    def dial(self, now: int) -> None:
        """Begin a connection; `tick` goes on with it."""
        self.drop("")
        self.refused = self.subscribed = False
        self._since = now
        try:
            # Numeric, so this only packs it: a name would wait for an answer.
            address = socket.getaddrinfo(self._broker["host"], self._broker["port"])[0][-1]
            self._sock = socket.socket()
            self._sock.setblocking(False)
            _no_delay(self._sock)
            self.phase = DIALLING
            try:
                self._sock.connect(address)
            except OSError as error:
                if error.errno != errno.EINPROGRESS:
                    raise
            self._poll.register(self._sock, select.POLLIN | select.POLLOUT)
        except OSError as error:
            self.drop("no connection: %s" % error)

    def drop(self, why: str) -> None:
        """End the connection at once, the way a fault does: the broker speaks the will."""
        if self._sock is not None:
            try:
                self._poll.unregister(self._sock)
            except (OSError, KeyError):
                pass  # it was not registered yet
            _abort(self._sock)
            for each in (self._stream, self._sock):
                try:
                    each.close()
                except (OSError, AttributeError):
                    pass  # it is gone already, or there was no stream
        self._sock = self._stream = None
        self.phase = DOWN
        self.subscribed = False
        self._in = bytearray()
        self._out = b""
        self._skip = 0
        self._asked_at = self._stuck_at = -1
        self._unacknowledged.clear()
        if why:
            self.why = why

    def wait(self, milliseconds: int) -> None:
        """Sleep until something comes from the broker, so long at most; without a connection it is the caller's to sleep."""
        self._poll.poll(milliseconds)

    @property
    def waits(self) -> bool:
        """Whether there is a socket to wait for."""
        return self._sock is not None

    def tick(self, now: int) -> None:
        """Do what is due: go on connecting, read, hand on, answer, ping, give up. Never blocks, never raises OSError."""
        if self.phase == DOWN:
            return
        try:
            if self.phase == DIALLING:
                self._dialled(now)
            if self.phase in (GREETING, UP):
                self._flush(now)
                self._read(now)
                self._watch(now)
        except OSError as error:
            self.drop("the connection is lost: %s" % error)

    def subscribe(self, topics: "list[str]", now: int) -> None:
        """Ask for topics at QoS 1; `subscribed` once the broker grants them all."""
        body = b"".join(_text(topic) + b"\x01" for topic in topics)
        self._send(packet(0x82, struct.pack(">H", self._next_id(now)) + body), now)

    def publish(self, topic: str, payload: bytes, now: int, *, retain: bool = False, qos: int = 0) -> bool:
        """Say it now or never; False: there is no connection, and nothing is kept for later."""
        if self.phase != UP:
            return False
        ident = struct.pack(">H", self._next_id(now)) if qos else b""
        self._send(packet(_PUBLISH | qos << 1 | int(retain), _text(topic) + ident + payload), now)
        return self.phase == UP

    @property
    def behind(self) -> bool:
        """Whether something that was said has not surely arrived: what is said now may be as late as that."""
        return bool(self._unacknowledged) or self._stuck_at >= 0

    def bid_farewell(self, now: int) -> None:
        """Leave in order: the broker speaks no will."""
        if self.phase == UP:
            self._send(packet(0xE0, b""), now)
        self.drop("")

    def _dialled(self, now: int) -> None:
        for _, events in self._poll.poll(0):
            if events & (select.POLLERR | select.POLLHUP):
                raise OSError(errno.ECONNREFUSED)
            if events & select.POLLOUT:
                self._poll.modify(self._sock, select.POLLIN)
                self._stream = self._sock if self._wrap is None else self._wrap(self._sock)
                self._greet(now)
                return
        if now - self._since > DIAL_MS:
            self.drop("no connection: nobody answers")

    def _greet(self, now: int) -> None:
        user, password = self._broker.get("username"), self._broker.get("password")
        flags = 0x26  # clean session; will, retained, at QoS 0
        body = _text(self._id) + _text(self._will[0]) + struct.pack(">H", len(self._will[1])) + self._will[1]
        if user:
            flags |= 0x80
            body += _text(user)
            if password:
                flags |= 0x40
                body += _text(password)
        self.phase = GREETING
        self._since = self._heard_at = self._said_at = now
        self._send(packet(0x10, _text("MQTT") + bytes([4, flags]) + struct.pack(">H", self._keepalive) + body), now)

    def _send(self, raw: bytes, now: int) -> None:
        if len(self._out) + len(raw) > LARGEST_OUT:
            self.drop("the connection takes nothing more")
            return
        self._out += raw
        try:
            self._flush(now)
        except OSError as error:
            self.drop("the connection is lost: %s" % error)

    def _flush(self, now: int) -> None:
        while self._out:
            sent = _tried(self._stream.send if hasattr(self._stream, "send") else self._stream.write, self._out)
            if not sent:
                if self._stuck_at < 0:
                    self._stuck_at = now
                longest = SHAKE_MS if self._wrap is not None and self.phase == GREETING else DRAIN_MS
                if now - self._stuck_at > longest:
                    self.drop("the connection takes nothing more")
                return
            self._said_at = now
            self._out = self._out[sent:]
        self._stuck_at = -1

    def _read(self, now: int) -> None:
        # As much as one turn may take: a flood must not keep the loop from its duty.
        for _ in range(8):
            if self._stream is None:
                return
            more = _tried(self._stream.recv if hasattr(self._stream, "recv") else self._stream.read, 256)
            if more is None:
                return
            if not more:
                self.drop("the broker closed the connection")
                return
            self._heard_at = now
            self._in += more
            self._take(now)

    def _take(self, now: int) -> None:
        """Whole packets out of what has come."""
        while self._stream is not None:
            if self._skip:
                passed = min(self._skip, len(self._in))
                self._skip -= passed
                self._in = self._in[passed:]
            length, at, shift = 0, 1, 0
            while True:
                if at >= len(self._in):
                    return
                byte = self._in[at]
                length |= (byte & 0x7F) << shift
                at += 1
                if not byte & 0x80:
                    break
                shift += 7
                if shift > 21:
                    self.drop("the broker sent what is no MQTT")
                    return
            if length > LARGEST_IN:
                self._in, self._skip = self._in[at:], length
                continue
            if len(self._in) < at + length:
                return
            first, body = self._in[0], bytes(self._in[at : at + length])
            self._in = self._in[at + length :]
            self._packet(first, body, now)

    def _packet(self, first: int, body: bytes, now: int) -> None:
        kind = first & 0xF0
        self._asked_at = -1
        if kind == _PUBLISH and self.phase == UP:
            self._published(first, body, now)
        elif kind == _CONNACK and self.phase == GREETING and len(body) == 2:
            if body[1]:
                self.refused = True
                self.drop("the broker refuses: " + (_REFUSALS[body[1]] if body[1] < len(_REFUSALS) else str(body[1])))
            else:
                self.phase = UP
        elif kind in (_PUBACK, _SUBACK) and len(body) >= 2:
            self._unacknowledged.pop(body[0] << 8 | body[1], None)
            if kind == _SUBACK:
                if 0x80 in body[2:]:
                    self.refused = True
                    self.drop("the broker refuses: this login may not hear its own topics")
                else:
                    self.subscribed = True
        elif kind != _PINGRESP:
            self.drop("the broker sent what is no MQTT")

    def _published(self, first: int, body: bytes, now: int) -> None:
        end = 2 + (body[0] << 8 | body[1]) if len(body) >= 2 else len(body) + 1
        qos = first >> 1 & 3
        after = end + 2 if qos else end
        if qos > 1 or len(body) < after:
            self.drop("the broker sent what is no MQTT")
            return
        if qos:
            self._send(packet(_PUBACK, body[end:after]), now)
        try:
            topic = body[2:end].decode()
        except UnicodeError:
            return  # none of ours
        self._heard(topic, body[after:], bool(first & 1))

    def _next_id(self, now: int) -> int:
        self._last_id = self._last_id % 0xFFFF + 1
        self._unacknowledged[self._last_id] = now
        return self._last_id

    def _watch(self, now: int) -> None:
        if self.phase == GREETING:
            longest = GREET_MS if self._wrap is None else SHAKE_MS
            if now - self._since > longest:
                self.drop("the broker does not answer")
            return
        if self.phase != UP:
            return
        for asked in self._unacknowledged.values():
            if now - asked > ANSWER_MS:
                self.drop("the broker does not acknowledge")
                return
        if self._asked_at >= 0:
            if now - self._asked_at > ANSWER_MS:
                self.drop("the broker does not answer")
        elif now - self._heard_at > QUIET_MS or now - self._said_at > self._keepalive * 500:
            self._asked_at = now
            self._send(b"\xc0\x00", now)


def _tried(call: "Callable[[Any], Any]", what: object) -> "Any":
    """What the socket gives, or None: not now."""
    try:
        return call(what)
    except OSError as error:
        # 11 is EAGAIN everywhere that matters; on some ports a read in time-out says ETIMEDOUT.
        if error.errno in (errno.EAGAIN, 11):
            return None
        raise


def _no_delay(sock: "Any") -> None:
    """Small packets leave at once; not every port knows the option."""
    try:
        sock.setsockopt(getattr(socket, "IPPROTO_TCP", 6), getattr(socket, "TCP_NODELAY", 1), 1)
    except (OSError, ValueError):
        pass


def _abort(sock: "Any") -> None:
    """What was handed to the network and did not get through is thrown away with the connection, where the port can."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_LINGER", 13), struct.pack("ii", 1, 0))
    except (OSError, ValueError, TypeError):
        pass
