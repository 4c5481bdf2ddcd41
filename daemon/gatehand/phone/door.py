"""The door of the page, around the whole application: refuses what `guard` objects to, and puts the headers on.

Every answer, errors too, has the headers that keep strangers' scripts out. None ever has a header of CORS: no other
page may read an answer.
"""

import base64
import hashlib
import json
import re
from collections.abc import Callable, Mapping
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gatehand.phone import guard
from gatehand.phone.guard import Objection

REPORT_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""Of the report, which is made here, has styles of its own and no script."""


class Door:
    """Around everything: refuses, and puts the headers on. A mistake of ours is answered with them too, and raised."""

    def __init__(self, app: ASGIApp, names: Callable[[], tuple[str, ...]], policy: str) -> None:
        self._app = app
        self._names = names
        self._headers = {
            "Content-Security-Policy": policy,
            "X-Content-Type-Options": "nosniff",
            "X-Frame-Options": "DENY",
            "Referrer-Policy": "no-referrer",
            "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cache-Control": "no-store",
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """By the ASGI convention."""
        if scope["type"] != "http":  # no other kind is served
            return
        begun = False

        async def send_on(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in (self._headers | _if_trustworthy(scope)).items():
                    headers.setdefault(name, value)
            await send(message)

        objection = guard.objection(_asked(scope), self._names())
        try:
            if objection is None:
                await self._app(scope, receive, send_on)
            else:
                answer = refused(objection, scope["path"])
                if scope["method"] != "GET":
                    answer.headers["Connection"] = "close"  # nobody reads the body that may still come
                await answer(scope, receive, send_on)
        except Exception:
            if not begun:
                text = "The page has a fault; its journal says more. What you asked for may be done: look at the shop."
                await refused(Objection(500, text), scope["path"])(scope, receive, send_on)
            raise


def _if_trustworthy(scope: Scope) -> dict[str, str]:
    """What a browser heeds of a trustworthy origin alone: of another one its console has an error of it, each time."""
    (host, *_) = (*Headers(scope=scope).getlist("host"), "")
    return {"Cross-Origin-Opener-Policy": "same-origin"} if guard.is_trustworthy(scope["scheme"], host) else {}


def _asked(scope: Scope) -> guard.Asked:
    headers = Headers(scope=scope)
    lists = {name: headers.getlist(name) for name in ("host", "origin")}
    single = {name: headers.getlist(name) for name in ("sec-fetch-site", "sec-fetch-mode", "content-type")}
    site, mode, kind = (" ".join(each) for each in single.values())  # a header that comes twice is none that we know
    length = " ".join(headers.getlist("content-length"))
    return guard.Asked(
        scope["method"], scope["path"], scope["scheme"], lists["host"], lists["origin"], site, mode, kind, length
    )


def answer_json(body: Mapping[str, object], status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """As plain ASCII: whatever a payload held, half a character too, is an escape."""
    text = json.dumps(body, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Response(text, status, headers, media_type="application/json")


def refused(objection: Objection, path: str) -> Response:
    """The answer to what is objected to."""
    then = {"next": ""} if path == "/ask" else {}
    return answer_json({"ok": False, "text": objection.text, **then}, objection.status, objection.headers)


def page_policy(html: str) -> str:
    """The Content Security Policy (level 3) of our one file: its own script and style by their hashes, nothing else."""
    script, style = (_hash(html, tag) for tag in ("script", "style"))
    return (
        f"default-src 'none'; script-src '{script}'; style-src '{style}'; connect-src 'self'; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"
    )


def _hash(html: str, tag: str) -> str:
    (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
    return f"sha256-{base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()}"
