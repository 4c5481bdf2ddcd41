"""MQTT 3.1.1 over one socket that never blocks: QoS 0 and 1, a will, a keepalive that is watched from this side too.

Runs in MicroPython and, without TLS, in CPython. It reads no clock: every call is told `now`, milliseconds that only
rise. It keeps no message: what cannot leave at once, or is not acknowledged in time, ends the connection, and nothing
is sent again after it. Names and section numbers as in the standard (MQTT Version 3.1.1, OASIS 2014).
"""

import errno
import select
import socket
import struct

from settings import numeric

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

DOWN, DIALLING, GREETING, UP = range(4)

DIAL_MS = 1000
"""The longest that a connection may take to stand; a broker in the same house answers in a few milliseconds."""
SHAKE_MS = 8000
"""The same with TLS: small processors take seconds for the arithmetic of its handshake."""
GREET_MS = 1200
ANSWER_MS = QUIET_MS = 2000
"""The longest that the broker may take to answer a ping or to acknowledge; so long nothing heard, and it is pinged."""
DRAIN_MS = 1500
"""The longest that bytes may wait for room in the socket: what is older is not worth sending."""
LARGEST_IN = 1024
"""Bytes. A larger message is acknowledged and passed over: nothing that a board listens to is as long."""
LARGEST_OUT = 2048
"""Bytes that may wait for room in the socket; more end the connection."""
MOST_UNACKNOWLEDGED = 28
"""Messages at QoS 1 on their way (a greeting of 26 inputs); more end it: with 32 the small TCP stacks would block."""
LARGEST_TURN = 2048
"""Bytes read in one turn: a flood must not keep the loop from its duty."""

_CONNACK, _PUBLISH, _PUBACK, _SUBACK, _PINGRESP = 0x20, 0x30, 0x40, 0x90, 0xD0
_NO_MQTT = "the broker sent what is no MQTT"
_REFUSALS = (  # noqa: SIM905  # section 3.2.2.3, a line instead of seven
    "|it does not speak MQTT 3.1.1|it does not like the client id|it is not available|wrong user name or password"
    "|this login may not connect"
).split("|")


def packet(first: int, body: bytes) -> bytes:
    """One control packet: its first byte, the length of the rest in 7 bits a byte (section 2.2.3), the rest."""
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
        keepalive: seconds; the broker speaks the will after one and a half times it (section 3.1.2.10).
        wrap: makes a TLS stream of a connected socket, and does not wait for its handshake; None: plain.

    Raises:
        ValueError: the host is a name; the keepalive is none.
    """

    def __init__(  # noqa: PLR0917
        self,
        broker: "dict[str, Any]",
        client_id: str,
        will: "tuple[str, bytes]",
        heard: "Callable[[str, bytes, bool], None]",
        keepalive: int = 5,
        wrap: "Callable[[Any], Any] | None" = None,
    ) -> None:
        if not numeric(broker["host"]):
            raise ValueError("broker: host is %r; wanted numbers such as 192.168.1.10: names block" % broker["host"])
        if not 0 < keepalive < 0x10000:
            raise ValueError("broker: keepalive is %r; wanted whole seconds from 1 to 65535" % keepalive)
        self.phase = DOWN
        self.why = ""
        """What ended the last connection, or kept it from standing."""
        self.refused = False
        """The broker answered, and one does not want the other: only a person can help."""
        self.subscribed = False
        self._broker = broker
        self._id = client_id
        self._will = will
        self._heard = heard
        self._keepalive = keepalive
        self._wrap = wrap
        self._poll = select.poll()
        self._sock: Any = None
        self._stream: Any = None
        self._in = bytearray()
        self._out = b""
        self._skip = self._offered = 0
        self.heard_at = self._since = self._said_at = 0
        self._asked_at = self._stuck_at = -1
        self._pings = 0
        self.pongs = 0
        """How many of this connection's pings are answered: they are in the order in which they were sent."""
        self._unacknowledged: dict[int, int] = {}
        self._asking = (0, 0)
        self._last_id = 0

    def dial(self, now: int) -> None:
        """Begin a connection; `tick` goes on with it."""
        self.drop("")
        self.refused = False
        self._since = now
        try:
            address = socket.getaddrinfo(self._broker["host"], self._broker["port"])[0][-1]
            self._sock = socket.socket()
            self._sock.setblocking(False)
            # Small packets leave at once: TCP_NODELAY of IPPROTO_TCP, which not every port names.
            _tried(self._sock, "setsockopt", 6, 1, 1)
            self.phase = DIALLING
            try:
                self._sock.connect(address)
            except OSError as error:
                if error.errno != errno.EINPROGRESS:
                    raise
            # Some ports tell of an error only who asks for it.
            self._poll.register(self._sock, select.POLLIN | select.POLLOUT | select.POLLERR | select.POLLHUP)
        except OSError as error:
            self.drop("no connection: %s" % error)

    def drop(self, why: str) -> None:
        """End the connection at once, the way a fault does: the broker speaks the will."""
        for each in (self._stream, self._sock):
            if each is not None:
                # What was handed to the network and did not get through goes with the connection, where the port can.
                # (It is SO_LINGER in the small TCP stack of most boards, which do not name it.)
                linger = getattr(socket, "SO_LINGER", 0x80)
                _tried(each, "setsockopt", socket.SOL_SOCKET, linger, struct.pack("ii", 1, 0))
        self._close()
        if why:
            self.why = why

    def wait(self, milliseconds: int) -> None:
        """Sleep until something comes from the broker, so long at most; only where there is a connection (`waits`)."""
        self._poll.poll(milliseconds)

    @property
    def waits(self) -> bool:
        """Whether there is a socket to wait for."""
        return self._sock is not None

    def tick(self, now: int) -> None:
        """Do what is due: go on connecting, read, hand on, answer, ping, give up. Never blocks, raises no OSError."""
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
        if self.phase != UP:
            return
        body = b"".join(_text(topic) + b"\x01" for topic in topics)
        self._asking = (self._next_id(now), len(topics))
        self._send(packet(0x82, struct.pack(">H", self._asking[0]) + body), now)

    def publish(self, topic: str, payload: bytes, now: int, *, retain: bool = False, qos: int = 0) -> bool:
        """Say it now or never; False: there is no connection, and nothing is kept for later."""
        if self.phase != UP:
            return False
        if qos and len(self._unacknowledged) >= MOST_UNACKNOWLEDGED:
            self.drop("the broker does not acknowledge")
            return False
        ident = struct.pack(">H", self._next_id(now)) if qos else b""
        self._send(packet(_PUBLISH | qos << 1 | int(retain), _text(topic) + ident + payload), now)
        return self.phase == UP

    @property
    def behind(self) -> bool:
        """Whether something that was said has not surely arrived: what is said now may be as late as that."""
        return bool(self._unacknowledged) or self._stuck_at >= 0

    def ping(self, now: int) -> int:
        """Ask for a sign of life; which one it is: `pongs` is as high once the broker has answered this very one."""
        if self.phase == UP:
            self._pings += 1
            if self._asked_at < 0:
                self._asked_at = now
            number = self._pings
            self._send(b"\xc0\x00", now)  # PINGREQ (section 3.12)
            return number
        return 0

    def bid_farewell(self, now: int) -> None:
        """Leave in order: what was said still arrives, and the broker speaks no will (section 3.14)."""
        if self.phase == UP:
            self._send(b"\xe0\x00", now)
        if self._out:
            self.drop("")  # half a packet is none
        self._close()

    def _close(self) -> None:
        for each in (self._stream, self._sock):
            if each is not None:
                _tried(self._poll, "unregister", each)
                _tried(each, "close")
        self._sock = self._stream = None
        self.phase = DOWN
        self.subscribed = False
        self._in, self._out = bytearray(), b""
        self._skip = self._offered = 0
        self._asked_at = self._stuck_at = -1
        self._pings = self.pongs = 0
        self._unacknowledged.clear()
        self._asking = (0, 0)

    def _dialled(self, now: int) -> None:
        for _, events in self._poll.poll(0):
            if events & (select.POLLERR | select.POLLHUP):
                self.drop("no connection: nobody listens there")
                return
            if events & select.POLLOUT:
                self._poll.unregister(self._sock)
                try:
                    self._stream = self._sock if self._wrap is None else self._wrap(self._sock)
                except (ValueError, MemoryError) as error:
                    self.refused = True
                    self.drop("no connection: TLS fails: %s" % error)
                    return
                # MicroPython's `write` first: on some ports `send` calls a full socket dead.
                self._give = getattr(self._stream, "write", None) or self._stream.send
                self._get = getattr(self._stream, "recv", None) or self._stream.read
                self._poll.register(self._stream, select.POLLIN)
                self._greet(now)
                return
        if now - self._since > DIAL_MS:
            self.drop("no connection: nobody answers")

    def _greet(self, now: int) -> None:
        """CONNECT (section 3.1)."""
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
        self._since = self.heard_at = self._said_at = now
        self._send(packet(0x10, _text("MQTT") + bytes([4, flags]) + struct.pack(">H", self._keepalive) + body), now)

    def _send(self, raw: bytes, now: int) -> None:
        if self._out and len(self._out) + len(raw) > LARGEST_OUT:
            self.drop("the connection takes nothing more")
            return
        self._out += raw
        try:
            self._flush(now)
        except OSError as error:
            self.drop("the connection is lost: %s" % error)

    def _flush(self, now: int) -> None:
        while self._out:
            # A TLS stream that took nothing wants the very same bytes again, and no more (mbedtls_ssl_write).
            offered = self._offered or len(self._out)
            sent = self._now(self._give, self._out[:offered])
            if not sent:
                self._offered = offered
                if self._stuck_at < 0:
                    self._stuck_at = now
                longest = SHAKE_MS if self._wrap is not None and self.phase == GREETING else DRAIN_MS
                if now - self._stuck_at > longest:
                    self.drop("the connection takes nothing more")
                return
            self._offered = offered - sent
            self._said_at = now
            self._out = self._out[sent:]
        self._stuck_at = -1

    def _read(self, now: int) -> None:
        for _ in range(LARGEST_TURN // 256):
            if self._stream is None:
                return
            more = self._now(self._get, 256)
            if more is None:
                return
            if not more:
                self.drop("the broker closed the connection")
                return
            self.heard_at = now
            self._in += more
            self._take(now)

    def _now(self, call: "Callable[[Any], Any]", what: "bytes | int") -> "Any":
        """What the stream gives or takes; None: not now."""
        try:
            return call(what)
        except OSError as error:
            if error.errno == errno.EAGAIN:
                return None
            raise
        except ValueError as error:  # so TLS says what is wrong with the certificate
            self.refused = True
            raise OSError(" ".join(str(error).split()))

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
                if shift > 21:  # four bytes at most (section 2.2.3)
                    self.drop(_NO_MQTT)
                    return
            first = self._in[0]
            if length > LARGEST_IN:
                if not self._passed_over(first, length, at, now):
                    return
                continue
            if len(self._in) < at + length:
                return
            body = bytes(self._in[at : at + length])
            self._in = self._in[at + length :]
            if not self._understood(first, body, now):
                self.drop(_NO_MQTT)

    def _passed_over(self, first: int, length: int, at: int, now: int) -> bool:
        """A message that is too long: acknowledged, or the broker would wait for it, and in the end fall silent."""
        if len(self._in) < at + 2:
            return False
        end = at + 2 + (self._in[at] << 8 | self._in[at + 1])
        if first & 0xF0 != _PUBLISH or self.phase != UP or first >> 1 & 3 > 1 or end + 2 > at + LARGEST_IN:
            self.drop(_NO_MQTT)
            return False
        if len(self._in) < end + 2:
            return False
        self._skip = at + length
        if first & 2:
            self._send(packet(_PUBACK, bytes(self._in[end : end + 2])), now)
        return True

    def _understood(self, first: int, body: bytes, now: int) -> bool:
        """Each kind has the flags, the length and the phase that the standard gives it (sections 2.2.2 and 3)."""
        if self.phase == GREETING:
            if first != _CONNACK or len(body) != 2 or body[0]:  # no session: none was asked for (3.2.2.2)
                return False
            if body[1]:
                self.refused = True
                self.drop("the broker refuses: " + (_REFUSALS[body[1]] if body[1] < 6 else "code %d" % body[1]))
            else:
                self.phase = UP
            return True
        if first & 0xF0 == _PUBLISH:
            return self._published(first, body, now)
        if first == _PUBACK and len(body) == 2:
            if (ident := body[0] << 8 | body[1]) != self._asking[0]:
                self._unacknowledged.pop(ident, None)
            return True
        if first == _PINGRESP and not body:
            self.pongs = min(self.pongs + 1, self._pings)
            self._asked_at = now if self.pongs < self._pings else -1
            return True
        return first == _SUBACK and self._asked_for(body)

    def _asked_for(self, body: bytes) -> bool:
        """Section 3.9: whether it answers the subscription; for each topic the QoS that is granted, or 0x80."""
        ident, topics = self._asking
        if not topics or len(body) != 2 + topics or body[0] << 8 | body[1] != ident:
            return False
        del self._unacknowledged[ident]
        self._asking = (0, 0)
        self.subscribed = max(body[2:]) <= 2
        if not self.subscribed:
            self.refused = True
            self.drop("the broker refuses: this login may not hear its own topics")
        return True

    def _published(self, first: int, body: bytes, now: int) -> bool:
        end = 2 + (body[0] << 8 | body[1]) if len(body) >= 2 else len(body) + 1
        qos = first >> 1 & 3
        after = end + 2 if qos else end
        if qos > 1 or len(body) < after:  # QoS 2 was not asked for (section 3.8.4), 3 is none (3.3.1.2)
            return False
        if qos:
            self._send(packet(_PUBACK, body[end:after]), now)
        try:
            topic = body[2:end].decode()
        except UnicodeError:
            return True  # none of ours
        self._heard(topic, body[after:], bool(first & 1))
        return True

    def _next_id(self, now: int) -> int:
        """From 1 to 65535 (section 2.3.1)."""
        self._last_id = self._last_id % 0xFFFF + 1
        self._unacknowledged[self._last_id] = now
        return self._last_id

    def _watch(self, now: int) -> None:
        if self.phase == GREETING:
            if now - self._since > (GREET_MS if self._wrap is None else SHAKE_MS):
                self.drop("the broker does not answer")
        elif self.phase == UP:
            for asked in self._unacknowledged.values():
                if now - asked > ANSWER_MS:
                    self.drop("the broker does not acknowledge")
                    return
            if self._asked_at >= 0:
                if now - self._asked_at > ANSWER_MS:
                    self.drop("the broker does not answer")
            elif now - self.heard_at > QUIET_MS or now - self._said_at >= self._keepalive * 500:
                self.ping(now)


def _text(text: str) -> bytes:
    """With its length before it (section 1.5.3)."""
    raw = text.encode()
    return struct.pack(">H", len(raw)) + raw


def _tried(of: object, call: str, *what: object) -> None:
    """Call it; where it cannot be done, or is not known to this port, it need not be."""
    try:
        getattr(of, call)(*what)
    except (OSError, KeyError, ValueError, TypeError, AttributeError):
        pass
