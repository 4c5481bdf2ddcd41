"""The baseline of the throughput: aiomqtt that counts. argv: port, prefix, how many make one answer, protocol."""

import asyncio
import socket
import sys

import aiomqtt

NO_DELAY = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]


async def main(port: int, prefix: str, every: int, protocol: aiomqtt.ProtocolVersion) -> None:
    count = 0
    async with aiomqtt.Client("127.0.0.1", port, socket_options=NO_DELAY, protocol=protocol) as client:
        await client.subscribe(f"{prefix}/amps/+")
        await client.publish(f"{prefix}/online", "1", retain=True)
        async for _message in client.messages:
            count += 1
            if count % every == 0:
                await client.publish(f"{prefix}/gate/0", str(count))


V5, V311 = aiomqtt.ProtocolVersion.V5, aiomqtt.ProtocolVersion.V311
asyncio.run(main(int(sys.argv[1]), sys.argv[2], int(sys.argv[3]), V5 if sys.argv[4] == "5" else V311))
