"""The baseline of the page's time: bare aiomqtt, which says when each number came. argv: port, topic."""

import asyncio
import re
import sys
import time

import aiomqtt


async def main(port: int, topic: str) -> None:
    """Print the number in each message and the wall clock's seconds at which it came."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe(topic, 1)
        print("subscribed", flush=True)
        async for message in client.messages:
            found = re.search(rb"number (\d+)", bytes(message.payload))
            if found:
                print(found[1].decode(), time.time(), flush=True)


asyncio.run(main(int(sys.argv[1]), sys.argv[2]))
