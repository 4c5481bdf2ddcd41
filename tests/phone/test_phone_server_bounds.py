"""Connections that are opened and left, slow, many or deaf: each is ended in its time, and none harms a phone."""

import asyncio
import json
import select
import socket
import ssl
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pytest
import uvicorn
from page_process import Page, Speaker, Stream, shop
from support.certificates import make_authority, make_broker_certificate
from support.child import wait_until
from support.mosquitto import Mosquitto
from support.page_sample import sampled
from support.ports import free_port
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware
from uvicorn.server import ServerState

from gatehand.phone.connections import ASK_WITHIN, MOST, MOST_STREAMS, Connections
from gatehand.phone.live import GAP

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

pytestmark = pytest.mark.broker
HALF = (
    b"POST /ask HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nContent-Type: application/json\r\n"
    b"Content-Length: 9\r\nExpect: 100-continue\r\n\r\n{"
)
"""As the page itself asks, but for the rest of it, which the server says that it waits for."""
ASK = b"GET /events HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n"


@pytest.fixture(scope="module")
def page(broker: Mosquitto, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    with Page(tmp_path_factory.mktemp("page"), shop(broker.port, free_port())) as page:
        yield page.up()


def is_closed(sock: socket.socket) -> bool:
    """By the other end; what it has sent is read."""
    with suppress(ConnectionError):
        while select.select([sock], [], [], 0)[0]:
            if not sock.recv(1_000_000):
                return True
        return False
    return True


SAID = (b"", b"GET /events HT", b"POST /ask HTTP/1.1\r\nContent-Length: 9\r\n\r\n{")
CROWDS = [(count, said) for count in (200, MOST + 50) for said in SAID]


@pytest.mark.parametrize(("count", "said"), sampled(CROWDS, 1, always=[(MOST + 50, SAID[2])]))
def test_connections_that_are_opened_and_left_do_no_harm_to_a_phone(page: Page, count: int, said: bytes) -> None:
    with ExitStack() as stack:
        crowd = [stack.enter_context(page.connect()) for _ in range(count)]
        for sock in crowd:
            with suppress(ConnectionError):  # it had to make room
                sock.sendall(said)
        with Stream(page) as phone:
            wait_until(lambda: phone.ticks, what="a phone gets its stream")
        assert page.get("/me")[0] == 200


def test_requests_that_do_not_come_whole_keep_no_phone_out(page: Page) -> None:
    with ExitStack() as stack:
        for _ in range(MOST):
            sock = stack.enter_context(page.connect())
            sock.sendall(HALF)
            assert sock.recv(100).startswith(b"HTTP/1.1 100 ")
        with Stream(page) as phone:
            wait_until(lambda: phone.ticks, what="a phone gets its stream")
        assert page.get("/me")[0] == 200


@pytest.mark.parametrize("proxied", [False, True])
async def test_streams_are_bounded_and_the_oldest_of_strangers_give_way(proxied: bool) -> None:
    """Of the client from which most of them come: a crowd from one does not push out who comes from another.

    Behind a proxy of this computer the client is whom it names, and a computer with many addresses of IPv6 is one.
    """
    open_now = set[str]()

    async def app(scope: "Scope", receive: "Receive", send: "Send") -> None:
        name = scope["path"]
        scope["state"]["paired"] = name.startswith("/paired")
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/event-stream")]})
        await send({"type": "http.response.body", "body": b"data: x\n\n", "more_body": True})
        open_now.add(name)
        while (await receive())["type"] != "http.disconnect":
            pass
        open_now.discard(name)

    around = cast("ASGIApp", ProxyHeadersMiddleware(app, ["127.0.0.1"]) if proxied else app)  # type: ignore[arg-type]
    connections = Connections(around, tls=lambda: None)
    config = uvicorn.Config(connections, http=connections.protocol, lifespan="off", ws="none", log_config=None)
    loop = asyncio.get_running_loop()

    def protocol() -> asyncio.Protocol:
        return connections.protocol(config=config, server_state=state, app_state={}, _loop=loop)

    state = ServerState()
    async with asyncio.timeout(60):
        server = await loop.create_server(protocol, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        held = []

        async def come(name: str, address: str) -> None:
            own = ("127.0.0.1" if proxied else address, 0)
            reader, writer = await asyncio.open_connection("127.0.0.1", port, local_addr=own)
            held.append(writer)
            writer.write(f"GET /{name} HTTP/1.0\r\nX-Forwarded-For: {address}\r\n\r\n".encode())
            await reader.readuntil(b"data: x")

        await come("paired", "127.0.0.2")
        await come("stranger", "127.0.0.3")
        for number in range(MOST_STREAMS + 5):
            await come(f"crowd{number}", f"fd00:1:2:3::{number}" if proxied else "127.0.0.4")
        wanted = {"/paired", "/stranger", *(f"/crowd{number}" for number in range(7, MOST_STREAMS + 5))}
        while open_now != wanted:  # noqa: ASYNC110 - what the server does is waited for
            await asyncio.sleep(0.01)
        for writer in held:
            writer.transport.abort()
        while open_now or state.tasks:  # noqa: ASYNC110 - the same
            await asyncio.sleep(0.01)
        server.close()


def test_a_connection_carries_one_request(page: Page) -> None:
    with page.connect() as sock:
        sock.sendall(b"GET /me HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 2)
        answer = b"".join(iter(lambda: sock.recv(65_536), b""))
    assert answer.count(b"HTTP/1.1 200") == 1
    assert b"connection: close" in answer


def test_nobody_can_pose_as_another_address_and_nonsense_gets_a_refusal(page: Page) -> None:
    for nonsense in (b"\x16\x03\x01\x02\x00\r\n\r\n", b"GET\r\n\r\n", b"GET / HTTP/1.1\r\n" + b"x: y\r\n" * 20_000):
        with page.connect() as sock, suppress(ConnectionError):
            sock.sendall(nonsense)
            assert sock.recv(1000).partition(b"\r\n")[0] in {b"HTTP/1.1 400 Bad Request", b""}
    assert page.get("/me")[0] == 200
    assert "Traceback" not in page.said


@pytest.mark.slow
def test_whoever_sends_nothing_or_half_or_a_byte_at_a_time_is_closed_and_so_is_whoever_never_reads(
    broker: Mosquitto, page: Page
) -> None:
    with Speaker(broker.port) as daemon, ExitStack() as stack:
        silent, half, dribbling = (stack.enter_context(page.connect()) for _ in range(3))
        body = stack.enter_context(page.connect())
        body.sendall(b"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\n{")
        half.sendall(b"GET / HTTP/1.1\r\n")
        deaf = [stack.enter_context(page.connect(receive_buffer=4096)) for _ in range(5)]
        for sock in deaf:
            sock.sendall(ASK)
        phone = stack.enter_context(Stream(page))
        long = "a long sentence of why " * 80
        open_still, request = {silent, half, dribbling}, iter(ASK * 1000)
        for number in range(100):  # a stream that nobody reads fills up
            daemon.say(
                f"tool/{('band_saw', 'router')[number % 2]}", {"state": f"s{number}", "because": f"{number}{long}"}
            )
            with suppress(ConnectionError):
                dribbling.sendall(bytes([next(request)]))
            time.sleep(2 * GAP)  # each is handed out: together more than the system holds for a connection
        began = time.monotonic()
        while open_still:
            assert time.monotonic() - began < 6 * ASK_WITHIN, "they are not closed"
            with suppress(ConnectionError):
                dribbling.sendall(b"x")
            open_still -= {sock for sock in open_still if is_closed(sock)}
            time.sleep(0.1)
        wait_until(lambda: is_closed(body), what="half a body is not waited for")

        def ended(sock: socket.socket) -> bool:
            """Without reading, which would let it go on: the system says that the other end has reset it."""
            return bool(sock.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)) or _is_reset(sock)

        wait_until(lambda: all(map(ended, deaf)), 120, "who never reads is ended")
        before = phone.ticks
        wait_until(lambda: phone.ticks > before + 1, what="the phone still follows")
        assert "99" in json.dumps(phone.parts)


def _is_reset(sock: socket.socket) -> bool:
    poll = select.poll()
    poll.register(sock, select.POLLHUP | select.POLLERR)
    return any(found & (select.POLLHUP | select.POLLERR) for _, found in poll.poll(0))


def test_encryption_that_is_never_begun_does_no_harm(broker: Mosquitto, tmp_path: Path) -> None:
    authority = make_authority(tmp_path, "shop")
    make_broker_certificate(tmp_path, "shop")
    tls = f'tls = {{ cert_file = "{tmp_path}/broker.crt", key_file = "{tmp_path}/broker.key" }}'
    context = ssl.create_default_context(cafile=str(authority))
    with Page(tmp_path, shop(broker.port, free_port(), more=tls)) as page, ExitStack() as stack:
        page.up()
        crowd = [stack.enter_context(page.connect()) for _ in range(MOST + 10)]
        wrapped = context.wrap_socket(page.connect(), server_hostname="127.0.0.1")
        with Stream(page, wrapped) as phone:
            wait_until(lambda: phone.ticks, what="a phone gets its stream")
            wait_until(lambda: all(map(is_closed, crowd)), what="who does not begin is closed")
            assert not phone.has_ended
        assert "Traceback" not in page.said
