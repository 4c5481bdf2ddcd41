"""Stands in for MicroPython's `socket`: connections to a broker in memory (`peer`), which answers at once or never."""

import errno

from peer import BROKER

SOL_SOCKET = 1
SO_LINGER = 13


def getaddrinfo(host, port):
    """A numeric address."""
    return [(2, 1, 0, "", (host, port))]


class socket:  # noqa: N801  # as MicroPython names it
    """One connection."""

    def __init__(self):
        self.inbox = bytearray()
        self.over = False
        self.refused = False
        self.linked = False

    def setblocking(self, flag):
        """It never blocks."""

    def setsockopt(self, level, option, value):
        """Of no use here."""

    def connect(self, address):
        """It is under way when this returns."""
        if not BROKER.runs:
            self.refused = True
        elif not BROKER.mute:
            self.linked = True
            BROKER.link(self)
        raise OSError(errno.EINPROGRESS)

    def send(self, raw):
        """All of it leaves, while somebody takes it."""
        if self.over:
            raise OSError(errno.ECONNRESET)
        if BROKER.mute:
            raise OSError(errno.EAGAIN)
        BROKER.take(self, bytes(raw))
        return len(raw)

    def recv(self, size):
        """What has come."""
        if self.inbox:
            got = bytes(self.inbox[:size])
            self.inbox = self.inbox[size:]
            return got
        if self.over:
            return b""
        raise OSError(errno.EAGAIN)

    def close(self):
        """It ends."""
        BROKER.unlink(self)
