"""`gatehand page` as a process, what a phone reads of its stream, and bare connections to it."""

import json
import signal
import socket
import ssl
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as paho
from live_support import Memory
from paho.mqtt.enums import CallbackAPIVersion
from support.child import environment, wait_until

SHOP = """
[broker]
port = {broker}
{login}
[page]
listen = "127.0.0.1:{page}"
{more}
[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}

[gate.planing]
command = {{ topic = "shop/gate/planing/set", open = "open", shut = "shut" }}

[gate.carving]
command = {{ topic = "shop/gate/carving/set", open = "open", shut = "shut" }}

[tool.band_saw]
gates = ["planing"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5

[tool.router]
gates = ["carving"]
current = {{ topic = "shop/router/amps" }}
start_amps = 2
"""


def shop(broker: int, page: int, *, login: str = "", more: str = "") -> str:
    """A config."""
    return SHOP.format(broker=broker, page=page, login=login, more=more)


class Page:
    """The process, in a folder with its config. A context manager: killed at exit."""

    def __init__(self, folder: Path, text: str, *words: str, env: dict[str, str] | None = None) -> None:
        self.config = folder / "config.toml"
        self.config.write_text(text)
        self.port = int(text.partition('listen = "127.0.0.1:')[2].partition('"')[0])
        self.is_encrypted = "\ntls = " in text
        self._said = folder / "page.said"
        with self._said.open("ab") as said:
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-m", "gatehand", "page", "--config", str(self.config), *words],
                stdout=said,
                stderr=said,
                env=env or environment(),
            )

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def said(self) -> str:
        return self._said.read_text()

    @property
    def resident_kb(self) -> int:
        status = Path(f"/proc/{self.pid}/status").read_text()
        return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))

    def up(self) -> Self:
        """It answers."""
        wait_until(self._answers, what=f"the page answers: {self.said}")
        return self

    def _answers(self) -> bool:
        assert self._process.poll() is None, self.said
        with suppress(OSError):
            self.connect().close()
            return True
        return False

    def connect(self, receive_buffer: int | None = None) -> socket.socket:
        """A bare connection that has said nothing."""
        sock = socket.socket()
        try:
            if receive_buffer is not None:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
            sock.settimeout(60)
            sock.connect(("127.0.0.1", self.port))
        except BaseException:
            sock.close()
            raise
        return sock

    def get(self, path: str, context: ssl.SSLContext | None = None) -> tuple[int, str]:
        """Status and body."""
        scheme = "http" if context is None else "https"
        try:
            with urllib.request.urlopen(  # noqa: S310 - http to our own page
                f"{scheme}://127.0.0.1:{self.port}{path}", timeout=60, context=context
            ) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()

    def json(self, path: str) -> Any:  # noqa: ANN401 - JSON
        return json.loads(self.get(path)[1])

    def signal(self, number: signal.Signals) -> None:
        self._process.send_signal(number)

    def wait(self, seconds: float = 60.0) -> int:
        return self._process.wait(seconds)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()


class Stream(Memory):
    """What a phone holds, read from `/events` in a thread of its own."""

    def __init__(self, page: Page, sock: socket.socket | None = None, headers: str = "") -> None:
        super().__init__()
        self.ticks = 0
        self.has_ended = False
        self._sock = sock or page.connect()
        # By HTTP 1.0 nothing is in chunks, and the end of the connection is the end of the stream.
        self._sock.sendall(f"GET /events HTTP/1.0\r\nHost: 127.0.0.1:{page.port}\r\n{headers}\r\n".encode())
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        with suppress(OSError, ValueError), self._sock.makefile("r", encoding="utf-8", newline="\n") as lines:
            event = ""
            for line in lines:
                if line.startswith("event: "):
                    event = line.removeprefix("event: ").strip()
                elif line.startswith("data: ") and event == "parts":
                    self.take(line.removeprefix("data: "))
                elif line.startswith("data: ") and event == "tick":
                    self.ticks += 1
        self.has_ended = True

    def until(self, state: str) -> None:
        wait_until(lambda: "reached" in self.parts and self.reached == state, what=f"it is {state}: {self.parts}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(OSError):
            self._sock.shutdown(socket.SHUT_RDWR)
        self._thread.join(60)
        self._sock.close()


class Speaker:
    """Says what a daemon would say, retained, at a broker; and its beat, unless told not to."""

    def __init__(self, port: int) -> None:
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.beats = True
        self._end = threading.Event()
        self.say("online", b"1")
        self._beating = threading.Thread(target=self._beat, daemon=True)
        self._beating.start()

    def _beat(self) -> None:
        while not self._end.wait(0.5):
            if self.beats:
                self._client.publish("gatehand/daemon/beat", b"1")

    def say(self, topic: str, said: bytes | dict[str, Any]) -> None:
        payload = said if isinstance(said, bytes) else json.dumps(said).encode()
        wait_until(self._client.is_connected, what="it has reached the broker")
        self._client.publish(f"gatehand/{topic}", payload, 1, retain=True).wait_for_publish(60)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end.set()
        self._beating.join(60)
        self._client.disconnect()
        self._client.loop_stop()
