"""A child process that floods a topic on a loopback broker: bounded in number, at a rate, with a client of its own.

Run as a script: PORT TOPIC PAYLOAD RATE SECONDS. Prints how many it has sent, a second's worth at a time.
"""

import socket
import struct
import subprocess
import sys
import time
from types import TracebackType
from typing import IO, Self

_TICK = 0.005


def _packet(kind: int, body: bytes) -> bytes:
    assert len(body) < 128
    return bytes((kind, len(body))) + body


def _text(text: bytes) -> bytes:
    return struct.pack("!H", len(text)) + text


def pour(port: int, topic: str, payload: str, rate: int, seconds: float) -> None:
    """Send `rate` messages a second for so long, or as many as the broker takes."""
    sock = socket.create_connection(("127.0.0.1", port))
    sock.sendall(_packet(0x10, _text(b"MQTT") + b"\x04\x02\x00\x00" + _text(b"flood")))
    assert sock.recv(4)[3] == 0, "the broker refuses"
    one = _packet(0x30, _text(topic.encode()) + payload.encode())
    began, sent, told = time.monotonic(), 0, 0
    while sent < rate * seconds:
        due = int((time.monotonic() - began) * rate)
        many = min(max(0, due - sent), rate)
        sock.sendall(one * many)
        sent += many
        if sent - told >= rate:
            told = sent
            print(sent, flush=True)
        time.sleep(_TICK)


class Flood:
    """The process, as a context manager; ended at exit. `begun` waits until it has sent a second's worth."""

    def __init__(self, port: int, topic: str, payload: str, *, rate: int, seconds: float) -> None:
        args = (str(port), topic, payload, str(rate), str(seconds))
        self._process = subprocess.Popen([sys.executable, __file__, *args], stdout=subprocess.PIPE, text=True)  # noqa: S603

    @property
    def goes_on(self) -> bool:
        """It has not sent its last."""
        return self._process.poll() is None

    def begun(self) -> None:
        """Return when it has sent what it sends in a second."""
        out: IO[str] | None = self._process.stdout
        assert out is not None
        assert out.readline(), "the flood did not begin"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.communicate()


if __name__ == "__main__":
    pour(int(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4]), float(sys.argv[5]))
