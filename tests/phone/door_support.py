"""A browser in the test's own process, which speaks ASGI to the page's application, and what the application needs."""

import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from starlette.types import ASGIApp, Message

from gatehand.config.tables import PageTable
from gatehand.mqtt.settings import BrokerSettings
from gatehand.phone.app import LogQuestions, Services, make_app
from gatehand.phone.hands import Hands
from gatehand.phone.live import Live
from gatehand.phone.pairing import Pairing
from gatehand.screen.listen import Where

HOST = "127.0.0.1:8080"
EVERYTHING: tuple[Literal["hand", "hold", "reset"], ...] = ("hand", "hold", "reset")


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: list[tuple[str, str]]
    body: bytes

    @property
    def json(self) -> Any:  # noqa: ANN401 - as JSON is
        return json.loads(self.body)

    @property
    def text(self) -> str:
        found: str = self.json["text"]
        return found

    def header(self, name: str) -> str:
        return ", ".join(value for key, value in self.headers if key == name.lower())


class Browser:
    """Sends what a browser would, unless a test says otherwise; keeps cookies."""

    def __init__(self, app: ASGIApp, *, scheme: str = "http", host: str = HOST, address: str = "127.0.0.1") -> None:
        self.app = app
        self.scheme = scheme
        self.host = host
        self.address = address
        self.cookies: dict[str, str] = {}

    async def get(self, path: str, headers: Mapping[str, str | None] | None = None) -> Answer:
        return await self.send("GET", path, headers=headers)

    async def post(self, path: str, body: object, headers: Mapping[str, str | None] | None = None) -> Answer:
        mine = {"origin": f"{self.scheme}://{self.host}", "content-type": "application/json", **(headers or {})}
        raw = body if isinstance(body, bytes) else json.dumps(body).encode()
        return await self.send("POST", path, raw, headers=mine)

    async def send(
        self,
        method: str,
        path: str,
        body: bytes = b"",
        *,
        headers: Mapping[str, str | None] | None = None,
        raw_headers: Collection[tuple[str, str]] = (),
    ) -> Answer:
        """`headers`: None leaves one out; `raw_headers` come beside them, as often as they are given."""
        sent: dict[str, str | None] = {"host": self.host, "content-length": str(len(body)) if body else None}
        if self.cookies:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        pairs = [*(sent | dict(headers or {})).items(), *raw_headers]
        path, _, query = path.partition("?")
        scope = {
            "type": "http",
            "asgi": {"version": "3.0", "spec_version": "2.3"},
            "http_version": "1.1",
            "method": method,
            "scheme": self.scheme,
            "path": path,
            "raw_path": path.encode(),
            "query_string": query.encode(),
            "headers": [(name.lower().encode(), value.encode()) for name, value in pairs if value is not None],
            "client": (self.address, 50_000),
            "server": ("127.0.0.1", 8080),
        }
        messages: list[Message] = []
        parts = [body[i : i + 1000] for i in range(0, len(body), 1000)] or [b""]

        async def receive() -> Message:
            if not parts:
                return {"type": "http.disconnect"}
            part = parts.pop(0)
            return {"type": "http.request", "body": part, "more_body": bool(parts)}

        async def keep(message: Message) -> None:
            messages.append(message)

        await self.app(scope, receive, keep)
        return self._taken(messages)

    def _taken(self, messages: list[Message]) -> Answer:
        start = messages[0]
        headers = [(name.decode().lower(), value.decode()) for name, value in start["headers"]]
        for cookie in (value for name, value in headers if name == "set-cookie"):
            name, _, value = cookie.partition(";")[0].partition("=")
            self.cookies.pop(name, None)
            if "Max-Age=0" not in cookie:
                self.cookies[name] = value
        return Answer(start["status"], headers, b"".join(each.get("body", b"") for each in messages[1:]))


class Clock:
    """Seconds that a test moves."""

    def __init__(self, now: float = 1_000_000.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now


class Door:
    """An application with a state folder, a config and a clock that a test changes; a broker behind it where named."""

    def __init__(
        self,
        folder: Path,
        allow: tuple[Literal["hand", "hold", "reset"], ...] = EVERYTHING,
        *,
        port: int = 1,
        known: Callable[[str], Collection[str]] | None = None,
        log: LogQuestions | None = None,
        within: float = 30.0,
        hosts: tuple[str, ...] = ("shop.local",),
    ) -> None:
        self.page = PageTable(allow=allow, hosts=hosts)
        self.wall, self.mono = Clock(), Clock()
        self.said: list[str] = []
        self.pairing = Pairing(folder, self.wall, self.said.append)
        names = known or (lambda kind: {"gate": ("band_saw", "bench"), "collector": ("main",)}[kind])
        where = Where(BrokerSettings("127.0.0.1", port, client_id="page"), "gatehand")
        self.hands = Hands(where, lambda: self.page, names, within)
        self.live = Live("gatehand", lambda: None)
        self.services = Services(
            self.live, lambda: True, lambda: self.page, self.pairing, self.hands, log, clock=self.mono
        )
        self.app = make_app(self.services)

    def browser(self, **how: str) -> Browser:
        return Browser(self.app, **how)

    async def paired(self, **how: str) -> Browser:
        """A browser that has typed a code."""
        browser = self.browser(**how)
        answer = await browser.post("/pair", {"code": self.pairing.new_code()})
        assert answer.status == 200, answer.body
        return browser
