"""A broker in memory, for days that pass in seconds: it grants, acknowledges, answers, and keeps nothing itself."""


class Broker:
    """Speaks to one board."""

    def __init__(self):
        self.runs = True
        """False: connections are refused."""
        self.mute = False
        """True: nobody answers, and nothing is taken."""
        self.refuses = False
        """True: it does not let the board in."""
        self.retained = ()
        """(topic, payload) that it has for a subscriber."""
        self.heard = 0
        """How many messages the board has published."""
        self.greeted = 0
        """How many times it has connected."""
        self._sock = None

    def link(self, sock):
        """A connection stands."""
        self._sock = sock

    def unlink(self, sock):
        """It has ended on the board's side."""
        if self._sock is sock:
            self._sock = None

    def die(self):
        """Every connection ends."""
        if self._sock is not None:
            self._sock.over = True
            self._sock = None

    def say(self, topic, payload, retained=False):
        """To the board, at QoS 1; lost where it cannot be had at once."""
        if self._sock is None or self.mute:
            return
        head = len(topic).to_bytes(2, "big") + topic.encode()
        body = head + b"\x00\x07" + payload
        self._sock.inbox += bytes([0x33 if retained else 0x32]) + _length(len(body)) + body

    def take(self, sock, raw):
        """Whole packets: a board sends each at once."""
        while raw:
            at, length, shift = 1, 0, 0
            while True:
                byte = raw[at]
                length |= (byte & 0x7F) << shift
                at += 1
                shift += 7
                if not byte & 0x80:
                    break
            self._packet(sock, raw[0], raw[at : at + length])
            raw = raw[at + length :]

    def _packet(self, sock, first, body):
        kind = first & 0xF0
        if kind == 0x10:
            self.greeted += 1
            sock.inbox += b"\x20\x02\x00\x05" if self.refuses else b"\x20\x02\x00\x00"
            if self.refuses:
                sock.over = True
        elif kind == 0x80:
            at, topics = 2, 0
            while at < len(body):
                at += 3 + (body[at] << 8 | body[at + 1])
                topics += 1
            sock.inbox += b"\x90" + _length(2 + topics) + body[:2] + b"\x01" * topics
            for topic, payload in self.retained:
                self.say(topic, payload, retained=True)
        elif kind == 0x30:
            self.heard += 1
            if first & 6:
                end = 2 + (body[0] << 8 | body[1])
                sock.inbox += b"\x40\x02" + body[end : end + 2]
        elif kind == 0xC0:
            sock.inbox += b"\xd0\x00"


def _length(size):
    raw = bytearray()
    while True:
        size, seven = size >> 7, size & 0x7F
        raw.append(seven | 0x80 if size else seven)
        if not size:
            return bytes(raw)


BROKER = Broker()
