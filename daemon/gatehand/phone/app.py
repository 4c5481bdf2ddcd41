"""What a browser may ask for, and what it gets.

Every request passes `door` first. This file says what each path does, and what it wants of whoever asks: to be paired,
not to ask too often, and to ask where nobody can read along.
"""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace
from importlib.resources import files
from typing import Any, Final, Protocol

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from gatehand.config.tables import PageTable
from gatehand.phone import guard
from gatehand.phone.door import REPORT_POLICY, Door, answer_json, page_policy, refused
from gatehand.phone.guard import Kind, Objection
from gatehand.phone.hands import Hands, Reply
from gatehand.phone.live import TICK, Live
from gatehand.phone.pairing import PAIRED_FOR, Paired, Pairing, PairingError

_TICK: Final = "event: tick\ndata: {}\n\n"
BODY_WITHIN: Final = 5.0
"""Seconds for a request's body to come: the page sends it with its head."""
_LONGEST_PARAMETER: Final = 100


class LogAnswer(Protocol):
    """What came of a question to the event log."""

    @property
    def content(self) -> bytes:
        """JSON, or HTML."""

    @property
    def status(self) -> int:
        """Of HTTP."""

    @property
    def is_html(self) -> bool:
        """Whether it is HTML: the report, where there is one."""


class LogQuestions(Protocol):
    """What the event log is asked. A parameter comes as the browser sent it: nothing is checked but its length."""

    @property
    def is_here(self) -> bool:
        """Whether there is a log that can be asked."""

    async def why(self, kind: str, name: str) -> LogAnswer:
        """Why a device is as it is."""

    async def day(self, day: str | None) -> LogAnswer:
        """The bars of a day, `YYYY-MM-DD`; None: today."""

    async def upkeep(self) -> LogAnswer:
        """What is due."""

    async def report(self) -> LogAnswer:
        """The report as a page of its own."""


@dataclass(frozen=True, slots=True)
class Services:
    """What the answers are made of."""

    live: Live
    ending: Callable[[], bool]
    """Whether the server is about to stop: then no stream goes on."""
    page: Callable[[], PageTable]
    """The `[page]` of the config in force."""
    pairing: Pairing
    hands: Hands
    log: LogQuestions | None = None
    """None: this page has no event log."""
    clock: Callable[[], float] = time.monotonic
    """Monotonic seconds, for how often something is asked."""
    limits: guard.Limits = field(default_factory=guard.Limits)


class _Objected(Exception):  # noqa: N818 - says what it is
    def __init__(self, objection: Objection) -> None:
        super().__init__(objection.text)
        self.objection = objection


def make_app(services: Services) -> ASGIApp:
    """The application, by the ASGI convention.

    What a proxy says of the browser (X-Forwarded-For, X-Forwarded-Proto) counts where it runs on this computer, and of
    nobody else: whatever the environment says.
    """
    html = files("gatehand.phone").joinpath("page.html").read_text("utf-8")
    answers = _Answers(services, html)
    routes = [Route(path, getattr(answers, path[1:] or "page"), methods=[how]) for path, how in guard.METHODS.items()]
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Door, names=lambda: services.page().hosts, policy=page_policy(html))],
        exception_handlers={_Objected: _say_objection, PairingError: _say_not_kept},
    )
    return ProxyHeadersMiddleware(app, ["127.0.0.1", "::1"])  # type: ignore[arg-type,return-value]  # as ASGI, twice


class _Answers:
    """One method for each path."""

    def __init__(self, services: Services, html: str) -> None:
        self._has = services
        self._html = html

    async def page(self, _: Request) -> Response:
        return HTMLResponse(self._html)

    async def events(self, request: Request) -> Response:
        request.state.paired = bool(self._paired(request))  # where streams are too many, strangers give way
        return StreamingResponse(_stream(self._has), media_type="text/event-stream")

    async def me(self, request: Request) -> Response:
        paired = bool(self._paired(request))
        allow = self._has.page().allow if paired and self._is_private(request) else ()
        log = self._has.log is not None and self._has.log.is_here
        return answer_json({"paired": paired, "allow": list(allow), "log": log})

    async def pair(self, request: Request) -> Response:
        self._count(Kind.PAIR, "")
        if not self._is_private(request):
            raise _Objected(Objection(403, _READ_ALONG))
        code = (await _body(request, {"code"})).get("code")
        if not isinstance(code, str) or not code.strip():
            raise _Objected(Objection(400, "Found no code; wanted the one that gatehand page --pair printed."))
        found = await asyncio.to_thread(self._has.pairing.pair, code, self._paired(request))
        if not isinstance(found, Paired):
            raise _Objected(Objection(403, found))
        answer = answer_json({"ok": True})
        _set_cookie(answer, request, found.token, PAIRED_FOR)
        return answer

    async def unpair(self, request: Request) -> Response:
        await _body(request, set())
        if paired := self._paired(request):
            await asyncio.to_thread(self._has.pairing.forget, paired)
        answer = answer_json({"ok": True})
        _set_cookie(answer, request, "", 0)
        return answer

    async def ask(self, request: Request) -> Response:
        paired = self._paired(request)
        body = await _body(request, {"what", "name", "value", "because", "seen"})
        self._count(Kind.HOLD if body.get("what") == "hold" else Kind.ASK, paired or _address(request))
        if not paired:
            raise _Objected(Objection(401, "This phone is not paired, so it cannot ask for anything. Pair it first."))
        if not self._is_private(request):
            raise _Objected(Objection(403, _READ_ALONG))
        wish = self._has.hands.wish(body)
        reply = wish if isinstance(wish, Reply) else await self._has.hands.ask(wish)
        headers = {"Retry-After": "1"} if reply.status == guard.TOO_MANY else {}
        return answer_json({"ok": reply.ok, "text": reply.text, "next": reply.next}, reply.status, headers)

    async def why(self, request: Request) -> Response:
        log = self._log(request)
        return _of_log(await log.why(_parameter(request, "kind") or "", _parameter(request, "name") or ""))

    async def day(self, request: Request) -> Response:
        return _of_log(await self._log(request).day(_parameter(request, "date")))

    async def upkeep(self, request: Request) -> Response:
        return _of_log(await self._log(request).upkeep())

    async def report(self, request: Request) -> Response:
        return _of_log(await self._log(request).report())

    def _log(self, request: Request) -> LogQuestions:
        self._count(Kind.LOG, self._paired(request) or _address(request))
        if self._has.log is None:
            raise _Objected(Objection(404, "This page has no event log to read."))
        return self._has.log

    def _paired(self, request: Request) -> str:
        """Under which hash this phone is paired; empty: it is not."""
        return self._has.pairing.knows(guard.cookie(request.headers.getlist("cookie"), _cookie_name(request)))

    def _count(self, kind: Kind, client: str) -> None:
        """A cookie counts as a client only where it is a paired phone's: anybody could make up a new one each time."""
        if (objection := self._has.limits.count(kind, client, self._has.clock())) is not None:
            raise _Objected(objection)

    def _is_private(self, request: Request) -> bool:
        return guard.is_private(request.url.scheme, _client(request), request.headers["host"])


_READ_ALONG: Final = (
    "Nothing can be asked for over this connection: it is not encrypted, so others could read along. Open the page "
    "with https. (A proxy in between must set X-Forwarded-Proto and X-Forwarded-For.)"
)


async def _stream(services: Services) -> AsyncIterator[str]:
    """Server-sent events (HTML Living Standard, section 9.2): what changes, and a sign of life every second."""
    live, version = services.live, 0
    loop = asyncio.get_running_loop()
    tick_at = loop.time() + TICK
    while not services.ending():
        if live.version > version:
            data, version = live.since(version), live.version
            yield f"event: parts\ndata: {data}\n\n"
        if loop.time() >= tick_at:
            tick_at = loop.time() + TICK
            yield _TICK
        await live.newer(version, tick_at - loop.time())


# What a request says


def _client(request: Request) -> str:
    return "" if request.client is None else request.client.host


def _address(request: Request) -> str:
    return guard.one_client(_client(request))


def _parameter(request: Request, name: str) -> str | None:
    found = request.query_params.getlist(name)
    if len(found) > 1 or any(len(each) > _LONGEST_PARAMETER for each in found):
        raise _Objected(Objection(400, f"Found a {name} that this page never sends. Load the page again."))
    return found[0] if found else None


async def _body(request: Request, known: set[str]) -> dict[str, Any]:
    """The JSON object of a request; none at all is an empty one."""
    raw = bytearray()
    try:
        async with asyncio.timeout(BODY_WITHIN):
            async for chunk in request.stream():
                raw += chunk
                if len(raw) > guard.LARGEST_BODY:
                    raise _Objected(replace(guard.too_large(), headers=_CLOSE))
    except TimeoutError:
        raise _Objected(Objection(408, "The request did not arrive in time. Ask again.", _CLOSE)) from None
    except ClientDisconnect:
        raise _Objected(Objection(400, "Only a part of the request arrived. Ask again.", _CLOSE)) from None
    if not raw and not known:
        return {}
    try:
        found = json.loads(raw.decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not found.keys() <= known:
        raise _Objected(Objection(400, "Found a request that this page never sends. Load the page again."))
    return found


_CLOSE: Final = {"Connection": "close"}


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Refuse a key that comes twice (RFC 8259, section 4, leaves open which counts)."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError
    return found


# What is answered


def _of_log(answer: LogAnswer) -> Response:
    if answer.is_html:
        return HTMLResponse(answer.content, answer.status, headers={"Content-Security-Policy": REPORT_POLICY})
    return Response(answer.content, answer.status, media_type="application/json")


async def _say_objection(request: Request, error: Exception) -> Response:
    assert isinstance(error, _Objected)  # noqa: S101 - for the type
    return refused(error.objection, request.url.path)


async def _say_not_kept(request: Request, error: Exception) -> Response:
    why = getattr(error, "why", "")
    text = f"That could not be saved on the computer that serves this page ({why}), so nothing has changed."
    return refused(Objection(503, text), request.url.path)


def _cookie_name(request: Request) -> str:
    """Over https one that no other host and no unencrypted page can set (RFC 6265bis, section 4.1.3.2)."""
    return "__Host-gatehand" if request.url.scheme == "https" else "gatehand"


def _set_cookie(answer: Response, request: Request, token: str, seconds: int) -> None:
    secure = request.url.scheme == "https"
    answer.set_cookie(
        _cookie_name(request), token, max_age=seconds, path="/", secure=secure, httponly=True, samesite="strict"
    )
