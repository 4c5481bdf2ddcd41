"""A peer that says and withholds whatever it is told to, beside the boards' MQTT client in one process.

Runs in MicroPython and in CPython. The client's time is a number, so that nothing here depends on a clock: a call that
blocked would stand for ever.
"""

import socket
import struct
import time

import mqtt

SECRET = "plane-iron"
WILL = ("shop/gate/band_saw/online", b"0")
HELLO = b"\x20\x02\x00\x00"
PONG = b"\xd0\x00"


def lengths(number):
    """A remaining length (section 2.2.3)."""
    out = bytearray()
    while number > 127:
        out.append(number & 127 | 128)
        number >>= 7
    out.append(number)
    return bytes(out)


def said(topic, payload, first=0x30, ident=b""):
    """A PUBLISH (section 3.3)."""
    body = struct.pack(">H", len(topic)) + topic + ident + payload
    return bytes([first]) + lengths(len(body)) + body


class Peer:
    """One listener, and the newest connection to it."""

    def __init__(self, port, small=False):
        self.listener = socket.socket()
        self.listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if small:
            self.listener.setsockopt(socket.SOL_SOCKET, 8, 2048)  # SO_RCVBUF: it takes little and then no more
        self.listener.bind(socket.getaddrinfo("127.0.0.1", port)[0][-1])
        self.listener.listen(1)
        self.listener.setblocking(False)
        self.conn = None
        self.got = bytearray()
        self.ended = ""

    def accept(self):
        """Whether somebody has connected."""
        if self.conn is None:
            try:
                self.conn = self.listener.accept()[0]
            except OSError:
                return False
            self.conn.setblocking(False)
            self.conn.setsockopt(6, 1, 1)  # TCP_NODELAY
            self.got = bytearray()
            self.ended = ""
        return True

    def read(self):
        """Take in what has come."""
        while self.accept() and not self.ended:
            try:
                more = self.conn.recv(65536)
            except OSError as error:
                if error.errno != 11:
                    self.ended = "reset"
                return
            if not more:
                self.ended = "in order"
            self.got += more

    def packets(self):
        """What has come, as (first byte, body)."""
        self.read()
        found, at = [], 0
        while at + 1 < len(self.got):
            length = shift = 0
            end = at + 1
            while True:
                byte = self.got[end]
                length |= (byte & 127) << shift
                shift += 7
                end += 1
                if byte < 128:
                    break
            if end + length > len(self.got):
                break
            found.append((self.got[at], bytes(self.got[end : end + length])))
            at = end + length
        return found

    def send(self, raw, turn):
        """All of it; `turn` lets the client read, and says whether it still does."""
        for _ in range(2000):
            try:
                sent = self.conn.send(raw)
            except OSError as error:
                assert error.errno == 11, error
                sent = 0
            raw = raw[sent:]
            if not raw or not turn():
                return
        raise AssertionError("the client reads nothing")

    def hang_up(self):
        """Close the connection."""
        self.conn.close()
        self.conn = None

    def close(self):
        """Go away."""
        if self.conn is not None:
            self.conn.close()
        self.listener.close()


class Run:
    """One client, its peer and its time."""

    def __init__(self, port):
        self.peer = None
        self._port = port
        self.reset()

    def reset(self, small=False, keepalive=5):
        """For the next scenario."""
        if self.peer is not None:
            self.client.drop("")
            self.peer.close()
        self.now = 1000
        self.heard = []
        self.peer = Peer(self._port, small)
        login = {"host": "127.0.0.1", "port": self._port, "username": "gate-band_saw", "password": SECRET}
        self.client = mqtt.Client(login, "gate-band_saw", WILL, self.hear, keepalive)

    def hear(self, topic, payload, retained):
        """What the client hands on."""
        self.heard.append((topic, payload, retained))

    def turn(self):
        """One turn of the loop; whether the connection stands."""
        self.client.tick(self.now)
        return self.client.phase != mqtt.DOWN

    def send(self, raw):
        """The peer says it."""
        self.peer.send(raw, self.turn)

    def until(self, true):
        """Turn, without letting the client's time pass, until it is so: the network may need a moment of its own."""
        for patience in range(10000):
            self.client.tick(self.now)
            self.peer.read()
            if true():
                return
            if patience > 1500:
                time.sleep(0.001)
        raise AssertionError("it does not come to this; phase %d, %r" % (self.client.phase, self.client.why))

    def pass_time(self, milliseconds, step=10):
        """Let time pass, one turn of the loop after another."""
        end = self.now + milliseconds
        while self.now < end:
            self.now += step
            self.client.tick(self.now)

    def greeted(self, small=False, keepalive=5):
        """A connection that stands."""
        self.reset(small, keepalive)
        self.client.dial(self.now)
        self.until(lambda: len(self.peer.packets()) == 1)
        self.send(HELLO)
        self.until(lambda: self.client.phase == mqtt.UP)
        self.peer.got = bytearray()

    def ends(self, *whys):
        """The connection ends, for one of these reasons, and the next one stands."""
        self.until(lambda: self.client.phase == mqtt.DOWN)
        assert any(why in self.client.why for why in whys), self.client.why
        assert SECRET not in self.client.why
        assert not self.client.waits
        assert not self.client.publish("late", b"1", self.now)
        if self.peer.conn is not None:
            self.peer.hang_up()
        self.client.dial(self.now)
        self.until(lambda: len(self.peer.packets()) == 1)
        assert self.peer.packets()[0][0] == 0x10, "something old was sent first"
        self.send(HELLO)
        self.until(lambda: self.client.phase == mqtt.UP)
        assert not self.client.behind
        assert not self.client.subscribed

    def subscribe(self, *topics):
        """Ask for topics; gives the packet's id."""
        self.client.subscribe(list(topics), self.now)
        self.until(lambda: len(self.peer.packets()) == 1)
        first, body = self.peer.packets()[0]
        assert first == 0x82, first
        self.peer.got = bytearray()
        return body[:2]


_SCENARIOS = []


def scenario(does):
    """It is one."""
    _SCENARIOS.append(does)
    return does


def play():
    """Each of them, and the name of each that holds."""
    for each in _SCENARIOS:
        each()
        print(each.__name__)
