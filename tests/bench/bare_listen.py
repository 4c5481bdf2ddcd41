"""The baseline of memory and start: bare aiomqtt, pydantic and structlog, subscribed. argv: port, prefix, topics.

`rich` is kept out of structlog's sight, as Gatehand keeps it: where it is installed, structlog loads all of it.
"""

import asyncio
import sys

import aiomqtt
from pydantic import BaseModel, ConfigDict

sys.modules["rich"] = None  # type: ignore[assignment]  # the documented way to make an import fail

import structlog  # noqa: E402


class Reading(BaseModel):
    """One number."""

    model_config = ConfigDict(frozen=True)
    amps: float


async def main(port: int, prefix: str, topics: list[str]) -> None:
    log = structlog.get_logger()
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe([(topic, 0) for topic in topics])
        await client.publish(f"{prefix}/online", "1", qos=1, retain=True)
        log.info("subscribed", topics=len(topics))
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            reading = Reading.model_validate({"amps": message.payload.decode()})
            if reading.amps > 1000:
                log.warning("absurd", amps=reading.amps)


asyncio.run(main(int(sys.argv[1]), sys.argv[2], sys.argv[3:]))
