"""The real bench: a broker, a terminal, the clock. The only place where the exercise meets the event loop."""

import asyncio
import os
import signal
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager

from gatehand.exercise.bench import Happening, Interrupted, Message, NobodyThere, Typed
from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import Outgoing

_STDIN = 0


class Desk:
    """A bench over one connection. `write` prints a line for the person, `prompt` the same without its end."""

    def __init__(self, client: PlainClient, write: Callable[[str], None], prompt: Callable[[str], None]) -> None:
        self._client = client
        self._write = write
        self._prompt = prompt
        self._happened: asyncio.Queue[Happening | ClientError] = asyncio.Queue()

    def now(self) -> float:
        """See `Bench`."""
        return time.monotonic()

    def say(self, text: str) -> None:
        """See `Bench`."""
        self._write(text)

    def ask(self, text: str) -> None:
        """See `Bench`."""
        self._prompt(f"{text}: ")

    async def send(self, outgoing: Outgoing) -> str | None:
        """See `Bench`.

        Raises:
            ClientError: the broker is gone.
        """
        return await self._client.send(outgoing)

    async def next(self, until: float) -> Happening | None:
        """See `Bench`.

        Raises:
            ClientError: the broker is gone.
        """
        left = until - time.monotonic()
        try:
            async with asyncio.timeout(None if left == float("inf") else max(0.0, left)):
                found = await self._happened.get()
        except TimeoutError:
            return None
        if isinstance(found, ClientError):
            raise found
        return found

    def happen(self, happening: Happening | ClientError) -> None:
        """Something for `next`; in the event loop only."""
        self._happened.put_nowait(happening)

    async def listen(self) -> None:
        """Hear the broker until cancelled."""
        try:
            async for heard in self._client.messages():
                self.happen(Message(heard.topic, heard.payload, heard.retained, time.monotonic()))
        except ClientError as error:
            self.happen(error)


@asynccontextmanager
async def desk(
    settings: BrokerSettings, topics: Sequence[str], write: Callable[[str], None], prompt: Callable[[str], None]
) -> AsyncIterator[Desk]:
    """A bench that hears these topics, the person at standard input, and Ctrl-C.

    Raises:
        ClientError: no connection.
    """
    async with plain_client(settings, topics) as client:
        made = Desk(client, write, prompt)
        listening = asyncio.ensure_future(made.listen())
        _read_lines(asyncio.get_running_loop(), made.happen)
        with _interrupts(made):
            try:
                yield made
            finally:
                listening.cancel()
                await asyncio.wait({listening})


def _read_lines(loop: asyncio.AbstractEventLoop, happen: Callable[[Happening], None]) -> None:
    """Lines of standard input, from a thread that nobody has to wait for: files cannot be polled, terminals can."""

    def tell(happening: Happening) -> bool:
        try:
            loop.call_soon_threadsafe(happen, happening)
        except RuntimeError:  # the loop is over
            return False
        return True

    def read() -> None:
        # Not through sys.stdin: its lock, held by a waiting thread, would stop the interpreter's own end.
        rest = b""
        while True:
            try:
                some = os.read(_STDIN, 4096)
            except OSError:
                some = b""
            *lines, rest = (rest + some).split(b"\n")
            for line in lines:
                if not tell(Typed(line.decode(errors="replace").rstrip("\r"))):
                    return
            if not some:
                if rest:
                    tell(Typed(rest.decode(errors="replace")))
                tell(NobodyThere())
                return

    threading.Thread(target=read, name="standard input", daemon=True).start()


@contextmanager
def _interrupts(made: Desk) -> Iterator[None]:
    """The first Ctrl-C (or SIGTERM) ends it in order, the second at once."""
    loop = asyncio.get_running_loop()
    numbers = (signal.SIGINT, signal.SIGTERM)

    def interrupt() -> None:
        for number in numbers:
            loop.remove_signal_handler(number)
        made.happen(Interrupted())

    for number in numbers:
        loop.add_signal_handler(number, interrupt)
    try:
        yield
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)
