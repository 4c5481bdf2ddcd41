"""The page's process: a socket of its own, the server library around the app, and the hearing beside it."""

import asyncio
import contextlib
import socket
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import uvicorn

from gatehand.config.tables import PageTable
from gatehand.phone.app import Services, make_app
from gatehand.phone.hands import Hands
from gatehand.phone.live import Live
from gatehand.phone.pairing import Pairing
from gatehand.phone.parts import Stations
from gatehand.screen.listen import Where

_LEAVE_WITHIN: Final = 2
"""Whole seconds for what is under way when the server stops."""


@dataclass(frozen=True, slots=True)
class Tls:
    """The page's own certificate."""

    cert_file: Path
    key_file: Path


def listening_socket(listen: str) -> socket.socket:
    """A bound TCP socket for `127.0.0.1:8080` or `[::1]:8080`.

    Raises:
        OSError: the address is not this computer's, or the port is taken.
    """
    host, _, port = listen.rpartition(":")
    host = host.strip("[]")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, int(port)))
        sock.listen()  # from here on a browser is heard, and a second page is told that the port is taken
    except BaseException:
        sock.close()
        raise
    return sock


async def serve(
    sock: socket.socket,
    where: Where,
    stations: Stations | None,
    *,
    tls: Tls | None,
    page: Callable[[], PageTable],
    names: Callable[[str], Collection[str]],
    pairing: Pairing,
) -> None:
    """Until SIGINT or SIGTERM.

    Args:
        sock: to listen on.
        where: the broker.
        stations: of the config.
        tls: None: not encrypted.
        page: gives the `[page]` of the config in force.
        names: gives the config's names of a kind, gate or collector.
        pairing: which phones are paired.
    """
    live = Live(where.base, lambda: stations)
    server: uvicorn.Server | None = None
    hands = Hands(where, page, lambda kind: {*names(kind), *live.status.by_kind[kind]})
    ending = lambda: server is not None and server.should_exit  # noqa: E731
    app = make_app(Services(live, ending, page, pairing, hands))
    config = uvicorn.Config(
        app,
        lifespan="off",
        ws="none",
        loop="none",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,  # the application sees to them
        timeout_graceful_shutdown=_LEAVE_WITHIN,
        ssl_certfile=None if tls is None else str(tls.cert_file),
        ssl_keyfile=None if tls is None else str(tls.key_file),
    )
    server = uvicorn.Server(config)
    hearing = asyncio.ensure_future(live.keep(where))
    try:
        await server.serve(sockets=[sock])
    finally:
        hearing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await hearing
