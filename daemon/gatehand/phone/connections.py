"""The connections of browsers, each with its bounds, so that none harms another: how many, how slow, how long.

A connection carries one request and is closed after its answer. One that has not asked within ten seconds is closed, so
is one that does not take what it was sent; when there are too many, those whose request has not come whole give way, of
the streams those that are many from one client. Around the server library's own protocol, by the public interfaces of
asyncio and ASGI.
"""

import asyncio
import resource
import socket
import ssl
import struct
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from gatehand.phone import guard

MOST: Final = 256
"""Connections at a time."""
MOST_STREAMS: Final = 48
"""Event streams at a time; a page that is open has one."""
ASK_WITHIN: Final = 10.0
"""Seconds for a connection's encryption and its whole request."""
TAKE_WITHIN: Final = 20.0
"""Seconds in which what was sent must be taken."""
_GONE_AFTER: Final = 1.5 * TAKE_WITHIN
"""Seconds after which the system gives up a phone that is out of reach (RFC 5482), without a word to it."""
_CLOSE_WITHIN: Final = 2.0
"""Seconds for the end of an encryption."""
_KERNEL_BUFFER: Final = 65_536
"""Bytes that the system may hold for a connection, on top of the one message that we do."""
_CLOSE: Final = (b"connection", b"close")


class Connection(H11Protocol):
    """A browser's connection. The server library makes it; it belongs to the `Connections` that are the app."""

    def __init__(self, *, app_state: dict[str, Any], **others: Any) -> None:  # noqa: ANN401 - the server library's
        super().__init__(app_state={**app_state, "connection": self}, **others)
        app = self.config.app
        assert isinstance(app, Connections)  # noqa: S101 - for the type checker: `Connections.protocol` is given with it
        self._all = app
        self._wire: asyncio.Transport | None = None
        self._is_up = False
        self._early: list[bytes] = []
        """What came before the encryption was ready."""
        self._deadline: asyncio.TimerHandle | None = None
        self._stuck: asyncio.TimerHandle | None = None
        self._encrypting: asyncio.Task[None] | None = None
        self.has_asked = False
        """Its whole request has come."""
        self.whose = ""
        """Whose stream it is, where it is one."""
        self.is_paired = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override] # as the server library
        """See `asyncio.Protocol`."""
        self._wire = transport
        self._bound(transport)
        if not self._all.come(self):
            transport.abort()
            return
        self._deadline = self.loop.call_later(ASK_WITHIN, self.abort)
        context = self._all.tls()
        if context is None:
            self._up(transport)
        else:
            transport.pause_reading()
            self._encrypting = self.loop.create_task(self._encrypt(transport, context))

    async def _encrypt(self, transport: asyncio.Transport, context: ssl.SSLContext) -> None:
        try:
            encrypted = await self.loop.start_tls(
                *(transport, self, context),
                server_side=True,
                ssl_handshake_timeout=ASK_WITHIN,
                ssl_shutdown_timeout=_CLOSE_WITHIN,
            )
        except OSError:  # also what is wrong with the other's encryption
            self.abort()
            self._gone()
            return
        if encrypted is None or encrypted.is_closing():
            self.abort()
            self._gone()
            return
        encrypted.set_write_buffer_limits(high=1, low=0)  # asyncio's takes 0 for full, however little waits
        self._up(encrypted)

    def _up(self, transport: asyncio.Transport) -> None:
        self._is_up = True
        super().connection_made(transport)
        early, self._early = self._early, []
        for data in early:
            self.data_received(data)

    def _bound(self, transport: asyncio.Transport) -> None:
        """Nothing waits in our memory but the last message, little in the system's, and not for ever."""
        transport.set_write_buffer_limits(high=0)
        sock = transport.get_extra_info("socket")
        if sock is None:
            return
        with suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _KERNEL_BUFFER)
            if (option := getattr(socket, "TCP_USER_TIMEOUT", None)) is not None:
                sock.setsockopt(socket.IPPROTO_TCP, option, round(_GONE_AFTER * 1000))

    def data_received(self, data: bytes) -> None:
        """See `asyncio.Protocol`."""
        if self._is_up:
            super().data_received(data)
        else:
            self._early.append(data)

    def pause_writing(self) -> None:
        """See `asyncio.Protocol`: something that was sent has not been taken yet."""
        if self._is_up:
            super().pause_writing()
        self._stuck = self._stuck or self.loop.call_later(TAKE_WITHIN, self.abort)

    def resume_writing(self) -> None:
        """See `asyncio.Protocol`: all has been taken."""
        if self._is_up:
            super().resume_writing()
        _unset(self._stuck)
        self._stuck = None

    def connection_lost(self, exc: Exception | None) -> None:
        """See `asyncio.Protocol`."""
        self._gone()
        if self._is_up:
            super().connection_lost(exc)

    def _gone(self) -> None:
        for timer in (self._deadline, self._stuck):
            _unset(timer)
        self._deadline = self._stuck = None
        self._all.leave(self)

    def heard(self) -> None:
        """The whole request has come."""
        self.has_asked = True
        _unset(self._deadline)

    def abort(self) -> None:
        """End it at once, whatever is under way; the system keeps nothing of it either."""
        if self._wire is None:
            return
        if (sock := self._wire.get_extra_info("socket")) is not None:
            with suppress(OSError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._wire.abort()

    def shutdown(self) -> None:
        """The server ends: so does whoever asks nothing, or takes nothing."""
        if self._is_up and self.has_asked and self._stuck is None:
            super().shutdown()
        else:
            self.abort()


class Connections:
    """All of them, oldest first, and the ASGI application around the page's own.

    Args:
        app: what answers.
        tls: gives what a new connection is encrypted with; None: it is not.
        most: connections at a time.
    """

    protocol: Final = Connection
    """For the server library, beside this as its app."""

    def __init__(self, app: ASGIApp, tls: Callable[[], ssl.SSLContext | None], most: int = MOST) -> None:
        self.tls = tls
        self._app = app
        self._most = most
        self._open: dict[Connection, None] = {}
        self._streams: dict[Connection, None] = {}

    def come(self, connection: Connection) -> bool:
        """Another one, unless all that are there have asked for something; else the oldest that has not makes room."""
        if len(self._open) >= self._most:
            waiting = next((each for each in self._open if not each.has_asked), None)
            if waiting is None:
                return False
            self.leave(waiting)
            waiting.abort()
        self._open[connection] = None
        return True

    def leave(self, connection: Connection) -> None:
        """It is gone."""
        self._open.pop(connection, None)
        self._streams.pop(connection, None)

    def end(self) -> None:
        """End those that have not asked for anything; the server library ends the others."""
        for connection in [each for each in self._open if not each.has_asked]:
            connection.abort()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See the ASGI specification. An app that knows a paired phone says so in `scope["state"]["paired"]`."""
        connection: Connection = scope["state"].pop("connection")
        if not any(name in {b"content-length", b"transfer-encoding"} for name, _ in scope["headers"]):
            connection.heard()

        async def hear() -> Message:
            message = await receive()
            if message["type"] == "http.request" and not message.get("more_body"):
                connection.heard()
            return message

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message["headers"])
                if any(name == b"content-type" and value.startswith(b"text/event-stream") for name, value in headers):
                    self._begin_stream(connection, scope)
                message = {**message, "headers": [*headers, _CLOSE]}
            await send(message)

        try:
            await self._app(scope, hear, answer)
        finally:
            connection.heard()

    def _begin_stream(self, connection: Connection, scope: Scope) -> None:
        connection.is_paired = scope["state"].get("paired") is True
        connection.whose = guard.one_client(scope["client"][0] if scope["client"] else "")  # as a proxy of ours says
        self._streams[connection] = None
        if len(self._streams) <= MOST_STREAMS:
            return
        strangers = [each for each in self._streams if not each.is_paired] or list(self._streams)
        many = Counter(each.whose for each in strangers)
        leaves = max(strangers, key=lambda each: many[each.whose])  # the oldest of them: max keeps the first
        self._streams.pop(leaves)
        leaves.abort()


def most_here() -> int:
    """How many connections this process can take: `MOST`, or half of the files that it may have open."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return MOST if soft == resource.RLIM_INFINITY else max(1, min(MOST, soft // 2))


def _unset(timer: asyncio.TimerHandle | None) -> None:
    if timer is not None:
        timer.cancel()
