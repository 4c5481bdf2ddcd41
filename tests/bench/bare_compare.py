"""The baseline of the latency: bare aiomqtt that compares a number and publishes. argv: port, prefix[, log[, thread]].

With a log file it also writes a line and waits until it is on the medium before it publishes: in the event loop, the
shortest way there is, or, with a fourth word, in a thread for which it waits no longer than 15 ms, as Gatehand must.
"""

import asyncio
import os
import socket
import sys
from contextlib import suppress

import aiomqtt

NO_DELAY = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
LINE = b"x" * 250 + b"\n"


def to_disk(handle: int) -> None:
    os.write(handle, LINE)
    os.fdatasync(handle)


async def main(port: int, prefix: str, log: str = "", thread: str = "") -> None:
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND) if log else None
    loop = asyncio.get_running_loop()
    running = False
    async with aiomqtt.Client("127.0.0.1", port, socket_options=NO_DELAY) as client:
        await client.subscribe(f"{prefix}/amps")
        await client.publish(f"{prefix}/online", "1", retain=True)
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            amps = float(message.payload)
            if amps >= 2.5 if not running else amps < 1.75:
                running = not running
                if handle is not None and thread:
                    with suppress(TimeoutError):
                        await asyncio.wait_for(loop.run_in_executor(None, to_disk, handle), 0.015)
                elif handle is not None:
                    to_disk(handle)
                await client.publish(f"{prefix}/gate", "open" if running else "shut")


asyncio.run(main(int(sys.argv[1]), *sys.argv[2:]))
