"""The baseline of the throughput: a bare aiomqtt loop that counts. argv: port, prefix, how many make one answer."""

import asyncio
import socket
import sys

import aiomqtt

NO_DELAY = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]


async def main(port: int, prefix: str, every: int) -> None:
    count = 0
    async with aiomqtt.Client("127.0.0.1", port, socket_options=NO_DELAY) as client:
        await client.subscribe(f"{prefix}/amps/+")
        await client.publish(f"{prefix}/online", "1", retain=True)
        async for _message in client.messages:
            count += 1
            if count % every == 0:
                await client.publish(f"{prefix}/gate/0", str(count))


asyncio.run(main(int(sys.argv[1]), sys.argv[2], int(sys.argv[3])))
