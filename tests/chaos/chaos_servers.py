"""What may listen where a broker should: something that accepts and says nothing, or something that lies."""

import socket
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self

CONNACK = b"\x20\x03\x00\x00\x00"
LIES = (
    b"HTTP/1.1 400 Bad Request\r\n\r\n",
    b"\x00" * 64,
    b"\xff" * 64,
    CONNACK + b"\x90\xff\xff\xff\xff\x7f" + b"\x00" * 32,
    CONNACK + b"\x30\x05\x00\xff\xff\xfe\xfd",
    CONNACK + b"\x30\x04\x00\x02\xc3\x28",
    CONNACK + b"\x40\x02\x00\x00" * 40,
    b"\x20\x02\x00",
)
"""Another protocol, noise, a length without end, topics not in UTF-8, acknowledgements of nothing, half a greeting."""


class DumbServer:
    """Listens on a port; `says` is sent to whoever connects, nothing is ever answered. A context manager."""

    def __init__(self, port: int, says: bytes = b"") -> None:
        self._says = says
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind(("127.0.0.1", port))
        self._socket.listen(16)
        self.met = 0
        """How many have connected."""
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                one, _ = self._socket.accept()
                self.met += 1
                self._open.append(one)
                if self._says:
                    with suppress(OSError):
                        one.sendall(self._says)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        for one in self._open:
            one.close()
        self._thread.join(2)
