"""A server that speaks just enough MQTT 5 to be misused: it answers as told and sends whatever bytes it is given.

Real brokers refuse to misbehave; this one does not. Packet layouts after MQTT 5.0 sections 3.1 to 3.14.
"""

import asyncio
import contextlib
from types import TracebackType
from typing import Self

CONNACK = b"\x20\x03\x00\x00\x00"


def publish(topic: bytes, payload: bytes, *, retain: bool = False) -> bytes:
    """A PUBLISH packet at QoS 0."""
    body = len(topic).to_bytes(2, "big") + topic + b"\x00" + payload
    return bytes([0x30 | retain]) + _length(len(body)) + body


class ScriptedBroker:
    """One listener on a free loopback port.

    Args:
        connack: the answer to a CONNECT; None: never any.
        grants: answers subscriptions with success; False: with "not authorised".
        acks: acknowledges what is published.
        hang_up: closes right after the answer to a CONNECT.
    """

    def __init__(
        self, connack: bytes | None = CONNACK, *, grants: bool = True, acks: bool = True, hang_up: bool = False
    ) -> None:
        self.connack = connack
        self.grants = grants
        self.acks = acks
        self.pongs = True
        self.before_suback = b""
        """Sent just before the answer to a subscription, as a broker may (MQTT 5.0 section 3.8.4)."""
        self.hang_up = hang_up
        self.connects: list[bytes] = []
        self.published: list[bytes] = []
        self.ends: list[str] = []
        """How each connection ended: "reset" or "closed"."""
        self.writers: list[asyncio.StreamWriter] = []
        self.port = 0
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    def send(self, raw: bytes) -> None:
        """Send bytes to the newest client."""
        self.writers[-1].write(raw)

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        for writer in self.writers:
            writer.close()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.writers.append(writer)
        try:
            while await self._answer(reader, writer):
                pass
            self.ends.append("closed")
        except ConnectionError:
            self.ends.append("reset")
        except asyncio.IncompleteReadError:
            self.ends.append("closed")
        finally:
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """Read one packet and answer it; False ends the connection."""
        kind = (await reader.readexactly(1))[0]
        body = await reader.readexactly(await _read_length(reader))
        match kind >> 4:
            case 1:
                self.connects.append(body)
                if self.connack is not None:
                    writer.write(self.connack)
                return not self.hang_up
            case 3:
                self.published.append(body)
                topic_end = 2 + int.from_bytes(body[:2], "big")
                if kind & 0x06 and self.acks:
                    writer.write(b"\x40\x02" + body[topic_end : topic_end + 2])
            case 8:
                count = _topics_in(body)
                codes = bytes([0x01 if self.grants else 0x87]) * count
                writer.write(self.before_suback + b"\x90" + _length(3 + count) + body[:2] + b"\x00" + codes)
            case 12 if self.pongs:
                writer.write(b"\xd0\x00")
            case 14:
                return False
        return True


def _topics_in(body: bytes) -> int:
    at, count = 3 + body[2], 0
    while at < len(body):
        at += 2 + int.from_bytes(body[at : at + 2], "big") + 1
        count += 1
    return count


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, low = divmod(number, 128)
        out.append(low | (0x80 if number else 0))
        if not number:
            return bytes(out)


async def _read_length(reader: asyncio.StreamReader) -> int:
    value = shift = 0
    while True:
        byte = (await reader.readexactly(1))[0]
        value |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return value
