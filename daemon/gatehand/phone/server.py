"""The page's process: a socket of its own, the server library around the app, and the hearing beside it.

For a unit of systemd: Type=notify. It says READY=1 once it listens (whether or not the broker is there), WATCHDOG=1
every second while its loop turns, STOPPING=1 when it ends. SIGTERM and Ctrl-C end it within two seconds, with the exit
code 0.
"""

import asyncio
import contextlib
import logging
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from typing import Any, Final

import uvicorn

from gatehand.phone.app import Services, make_app
from gatehand.phone.connections import Connections, most_here
from gatehand.phone.hands import Hands
from gatehand.phone.live import Live, Say
from gatehand.phone.log_questions import LogQuestions
from gatehand.phone.pairing import Pairing
from gatehand.phone.settings import LOOK_EVERY, Settings
from gatehand.phone.tls_files import Certificate
from gatehand.screen.listen import Where
from gatehand.shell.config_file import in_a_thread
from gatehand.shell.service import notify, one_arena, shed
from gatehand.text import printable

_LEAVE_WITHIN: Final = 1
"""Whole seconds for what is under way when the server stops."""
_PRIORITY: Final = {"info": 6, "warning": 4, "error": 3}
_BACKLOG: Final = 128
_SAID_AGAIN: Final = 60.0
"""Seconds after which the same mishap of the event loop is said again."""


def say(level: str, text: str) -> None:
    """A line on standard error; under systemd with the priority that its journal reads. structlog would take 5 MB."""
    under_systemd = "JOURNAL_STREAM" in os.environ
    lead = (
        f"<{_PRIORITY.get(level, 6)}>" if under_systemd else f"gatehand page: {'' if level == 'info' else f'{level}: '}"
    )
    with contextlib.suppress(OSError):  # whoever read it has gone: the page is shown all the same
        for number, line in enumerate(text.splitlines()):
            print(f"{lead if under_systemd or not number else ''}{printable(line)}", file=sys.stderr, flush=True)


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
        sock.listen(_BACKLOG)  # from here on a browser is heard, and a second page is told that the port is taken
    except BaseException:
        sock.close()
        raise
    return sock


class _Server(uvicorn.Server):
    """The server library, without its own way with signals: that ends the process by the signal."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        shed()
        notify("READY=1", "STATUS=The page is there.")

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


async def serve(  # noqa: PLR0917 - each is another thing
    sock: socket.socket,
    where: Where,
    settings: Settings,
    certificate: Certificate | None,
    pairing: Pairing,
    say: Say,
) -> None:
    """Until SIGINT or SIGTERM.

    Args:
        sock: bound; closed at the end.
        where: the broker.
        settings: what the page takes from the config.
        certificate: for an encrypted page.
        pairing: which phones are paired.
        say: takes a line for the journal.
    """
    one_arena()
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(_Mishaps(say))
    live = Live(
        where.base,
        lambda: settings.stations,
        caution=lambda: settings.caution,
        allow=lambda: settings.page.allow,
        say=say,
    )
    live.on_tick = lambda: notify("WATCHDOG=1")
    settings.on_change = live.changed
    server: _Server | None = None
    log = LogQuestions(settings)
    page = lambda: settings.page  # noqa: E731
    ending = lambda: server is not None and server.should_exit  # noqa: E731
    hands = Hands(where, page, lambda kind: {*settings.names(kind), *live.status.by_kind[kind]})
    services = Services(live, ending, page, pairing, hands, log)
    app = Connections(
        make_app(services), tls=lambda: None if certificate is None else certificate.context(), most=most_here()
    )
    _log_to(say)
    config = uvicorn.Config(
        app,
        http=app.protocol,
        lifespan="off",
        ws="none",
        loop="none",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,  # nobody says for another where he comes from
        backlog=_BACKLOG,
        timeout_graceful_shutdown=_LEAVE_WITHIN,
    )
    server = _Server(config)
    besides = [asyncio.ensure_future(work) for work in (live.keep(where), settings.watch(), _renew(certificate))]

    def end() -> None:
        if server.should_exit:
            server.force_exit = True
            return
        notify("STOPPING=1")
        server.should_exit = True
        app.end()
        live.wake()
        log.end()
        for each in besides:
            each.cancel()

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, end)
    try:
        await server.serve(sockets=[sock])
    finally:
        log.end()
        for each in besides:
            each.cancel()
        await asyncio.gather(*besides, return_exceptions=True)


async def _renew(certificate: Certificate | None) -> None:
    """One look at a time, in a thread that nobody waits for: the disk may hang."""
    looking = threading.Lock()

    def look() -> None:
        with looking:
            if certificate is not None:
                certificate.look()

    while certificate is not None:
        await asyncio.sleep(LOOK_EVERY)
        if not looking.locked():
            in_a_thread(look)


class _Mishaps:
    """What the event loop has to say of itself, such as that no file can be opened: each kind once in a minute."""

    def __init__(self, say: Say) -> None:
        self._say = say
        self._said: dict[str, float] = {}

    def __call__(self, _loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        self.tell(f"{context.get('message')}" + (f" ({type(error).__name__}: {error})" if error is not None else ""))

    def tell(self, text: str) -> None:
        now = time.monotonic()
        self._said = {each: at for each, at in self._said.items() if now - at < _SAID_AGAIN}
        if text not in self._said:
            self._said[text] = now
            self._say("error", text)


class _Journal(logging.Handler):
    """What the server library says of an answer that failed, each kind once in a minute; not of who asks how."""

    def __init__(self, say: Say) -> None:
        super().__init__(logging.ERROR)
        self._told = _Mishaps(say)

    def emit(self, record: logging.LogRecord) -> None:
        self._told.tell(self.format(record))


def _log_to(say: Say) -> None:
    for name in ("uvicorn.error", "asyncio"):
        logger = logging.getLogger(name)
        logger.handlers[:] = [_Journal(say)]
        logger.propagate = False
