"""Loopback ports that are a test process's own, whatever runs beside it.

A port that the system hands out for the asking can be anybody's a moment later, and while a broker is dead also a
client's, as the near end of its connection. So ports come from below the system's range, in blocks: whoever holds a
block's first port has the others to itself.
"""

import os
import random
import socket
from functools import cache
from itertools import count

_LOWEST, _BLOCK, _BLOCKS = 10_000, 100, 220
"""Up to 32,000: the range for the near ends of connections begins at 32,768."""


@cache
def _block(_process: int) -> "tuple[socket.socket, count[int]]":
    """A block for this process: its first port is bound, and kept, until the process ends."""
    for number in random.SystemRandom().sample(range(_BLOCKS), _BLOCKS):
        sock = socket.socket()
        try:
            sock.bind(("127.0.0.1", _LOWEST + number * _BLOCK))
        except OSError:
            sock.close()
        else:
            return sock, count()
    raise AssertionError("every block of ports is taken")


def free_port() -> int:
    """A port on which nobody listens, and which no other test process is given."""
    held, turn = _block(os.getpid())
    first = int(held.getsockname()[1]) + 1
    for _ in range(_BLOCK):
        port = first + next(turn) % (_BLOCK - 1)
        with socket.socket() as sock:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # what a dead broker's connections left
            try:
                sock.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError(f"every port from {first} on is taken")
