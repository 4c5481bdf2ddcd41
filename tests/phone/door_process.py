"""`gatehand page` as a child process, and a browser that speaks HTTP to it over a socket."""

import http.client
import json
import os
import pty
import re
import ssl
import subprocess
import sys
import threading
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from support.child import environment, wait_until
from support.ports import free_port

CODE = re.compile(r"^    ([2-9A-Z]{4}-[2-9A-Z]{4})\r?$", re.MULTILINE)
CONFIG = """
[broker]
port = {broker}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
min_open = 0

[tool.router]
collector = "main"
current = {{ topic = "shop/router/amps" }}
start_amps = 2

[page]
listen = "127.0.0.1:{port}"
{page}
"""


class Page:
    """The page of a folder with a config of its own; no broker is there. `terminal`: it is started by hand."""

    def __init__(
        self, folder: Path, page: str = 'allow = ["hold"]', *words: str, terminal: bool = False, env: str = ""
    ) -> None:
        self.folder = folder
        self.port = free_port()
        self.config = folder / "config.toml"
        self.config.write_text(CONFIG.format(broker=free_port(), port=self.port, page=page))
        self._words = words
        self._terminal = terminal
        self._env = environment(**dict([env.split("=")] if env else []))
        self._process: subprocess.Popen[bytes] | None = None
        self._read: threading.Thread | None = None
        self.said = ""
        """Of the last start, on standard output."""

    def start(self) -> Self:
        """Wait until it listens, or has ended."""
        self.said = ""
        mine, its = pty.openpty() if self._terminal else os.pipe()
        with (self.folder / "stderr").open("ab") as errors:
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-m", "gatehand", "page", "--config", str(self.config), *self._words],
                stdout=its,
                stderr=errors,
                env=self._env,
            )
        os.close(its)
        self._read = threading.Thread(target=self._hear, args=(mine,), daemon=True)
        self._read.start()
        wait_until(lambda: "Ctrl-C ends it" in self.said or self.code is not None, what=self.errors)
        return self

    @property
    def code(self) -> int | None:
        """How it ended; None: it runs."""
        assert self._process is not None
        return self._process.poll()

    @property
    def errors(self) -> str:
        return (self.folder / "stderr").read_text()

    def kill(self) -> None:
        """End it without warning."""
        if self._process is not None and self._read is not None:
            self._process.kill()
            self._process.wait()
            self._read.join(60)

    def does(self, *words: str) -> str:
        """What another `gatehand page` with the same config says."""
        found = subprocess.run(  # noqa: S603
            [sys.executable, "-m", "gatehand", "page", "--config", str(self.config), *self._words, *words],
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
            env=self._env,
        )
        assert found.returncode == 0, found.stderr
        return found.stdout + found.stderr

    def new_code(self) -> str:
        found = CODE.search(self.does("--pair"))
        assert found is not None
        return found[1]

    def phone(self, context: ssl.SSLContext | None = None, source: str = "127.0.0.1") -> "Phone":
        return Phone(self.port, context, source)

    def _hear(self, handle: int) -> None:
        with os.fdopen(handle, "rb", buffering=0) as stream:
            try:
                while got := stream.read(4096):
                    self.said += got.decode()
            except OSError:  # a terminal whose other end is closed
                return

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()


class Phone:
    """A browser that keeps its cookie."""

    def __init__(self, port: int, context: ssl.SSLContext | None, source: str) -> None:
        self._at = f"127.0.0.1:{port}"
        self._context = context
        self._source = source
        self.cookie = ""
        self.set_cookie = ""

    def call(self, method: str, path: str, body: object = None, **headers: str) -> tuple[int, Any]:
        """Status and JSON. `headers`: with _ for -."""
        link = (
            http.client.HTTPConnection(self._at, timeout=60, source_address=(self._source, 0))
            if self._context is None
            else http.client.HTTPSConnection(self._at, timeout=60, context=self._context)
        )
        own = {"Cookie": self.cookie} if self.cookie else {}
        if method == "POST":
            scheme = "http" if self._context is None else "https"
            own |= {"Origin": f"{scheme}://{self._at}", "Content-Type": "application/json"}
        own |= {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            link.request(method, path, None if body is None else json.dumps(body), own)
            answer = link.getresponse()
            self.set_cookie = answer.getheader("Set-Cookie", "")
            if self.set_cookie:
                self.cookie = self.set_cookie.partition(";")[0]
            return answer.status, json.loads(answer.read())
        finally:
            link.close()

    @property
    def is_paired(self) -> bool:
        found: bool = self.call("GET", "/me")[1]["paired"]
        return found
