"""What a browser may ask for, and what it gets. Every answer carries the headers that keep strangers' scripts out."""

import asyncio
import base64
import hashlib
import re
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Final

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from gatehand.config.tables import PageTable
from gatehand.phone.live import TICK, Live
from gatehand.phone.log_questions import Answer, LogQuestions

_TICK: Final = "event: tick\ndata: {}\n\n"


@dataclass(frozen=True, slots=True)
class Services:
    """What the answers are made of."""

    live: Live
    ending: Callable[[], bool]
    """Whether the server is about to stop: then no stream goes on."""
    page: Callable[[], PageTable]
    """What is allowed now, and how the page may be called."""
    log: LogQuestions


def make_app(services: Services) -> Starlette:
    """The application, by the ASGI convention."""
    html = files("gatehand.phone").joinpath("page.html").read_text("utf-8")
    headers = _headers(html)

    async def page(_: Request) -> Response:
        return HTMLResponse(html, headers=headers)

    async def events(_: Request) -> Response:
        return StreamingResponse(_stream(services), media_type="text/event-stream", headers=headers)

    async def me(_: Request) -> Response:
        return JSONResponse({"paired": False, "allow": [], "log": services.log.is_here}, headers=headers)

    async def why(request: Request) -> Response:
        asked = request.query_params
        return _told(await services.log.why(asked.get("kind", ""), asked.get("name", "")), headers)

    async def day(request: Request) -> Response:
        return _told(await services.log.day(request.query_params.get("date")), headers)

    async def upkeep(_: Request) -> Response:
        return _told(await services.log.upkeep(), headers)

    async def report(_: Request) -> Response:
        return _told(await services.log.report(), headers)

    shown = {"/": page, "/events": events, "/me": me, "/why": why, "/day": day, "/upkeep": upkeep, "/report": report}
    return Starlette(routes=[Route(path, answer) for path, answer in shown.items()])


def _told(answer: Answer, headers: dict[str, str]) -> Response:
    if answer.is_html:
        return HTMLResponse(answer.content, headers=headers)
    return Response(answer.content, answer.status, headers, "application/json")


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


def _headers(html: str) -> dict[str, str]:
    script, style = (_hash(html, tag) for tag in ("script", "style"))
    policy = (
        f"default-src 'none'; script-src '{script}'; style-src '{style}'; connect-src 'self'; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
    )
    return {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cache-Control": "no-store",
    }


def _hash(html: str, tag: str) -> str:
    (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
    return f"sha256-{base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()}"
