"""A broker inside this process, for the demo: loopback only, a free port, MQTT 3.1.1, gone when the demo ends.

Not for a shop: no login, no encryption, nothing kept on disk. The library is imported when a broker is asked for.
"""

import asyncio
import contextlib
import logging
import os
from collections.abc import AsyncIterator, Iterator
from typing import Any

_NOISY = ("amqtt", "transitions", "websockets")
_PLUGINS = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}


class NoEmbeddedBrokerError(RuntimeError):
    """There is no library for the embedded broker, or it cannot listen; the message says what to do."""


@contextlib.asynccontextmanager
async def embedded_broker(port: int = 0) -> AsyncIterator[int]:
    """Run a broker in the current event loop; gives its port on 127.0.0.1. `port` 0: any that is free.

    Raises:
        NoEmbeddedBrokerError: the extra `demo` is not installed, or the port is taken.
    """
    try:
        from gatehand.mqtt.amqtt_broker import TidyBroker
    except ImportError as error:
        raise NoEmbeddedBrokerError(
            f"the embedded broker is not installed (no module {error.name!r}); install it with: "
            "pip install 'gatehand[demo]'"
        ) from error
    with _quiet():
        broker = TidyBroker(
            {"listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}}, "plugins": _PLUGINS}
        )
        try:
            await broker.start()
        except Exception as error:
            cause = error.__cause__ or error
            raise NoEmbeddedBrokerError(
                f"the embedded broker cannot listen on 127.0.0.1:{port} ({getattr(cause, 'strerror', None) or cause}); "
                "name another port, or none to have a free one"
            ) from error
        try:
            yield broker.port
        finally:
            await broker.shutdown()


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """A client that drops its connection is everyday life for a broker, not an error for the demo's screen."""
    loop = asyncio.get_running_loop()
    handler = loop.get_exception_handler()
    levels = {logger: logger.level for logger in map(logging.getLogger, _NOISY)}
    for logger in levels:
        logger.setLevel(logging.CRITICAL + 1)
    loop.set_exception_handler(_pass_on_but_the_brokers)
    try:
        yield
    finally:
        loop.set_exception_handler(handler)
        for logger, level in levels.items():
            logger.setLevel(level)


def _pass_on_but_the_brokers(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What a task of the broker could not send to a client that has left is nobody's concern."""
    task = context.get("future")
    coroutine = task.get_coro() if isinstance(task, asyncio.Task) else None
    code = getattr(coroutine, "cr_code", None)
    if code is None or f"{os.sep}amqtt{os.sep}" not in code.co_filename:
        loop.default_exception_handler(context)
