"""What the exercise needs of the world: time, a person, a broker.

The only place where the exercise meets the event loop. It asks for little, `now` to `next`, so that a test can be all
three.
"""

import asyncio
import os
import shutil
import signal
import threading
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from enum import Enum, auto
from typing import Final, TextIO, TypeAlias

from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.deliver import deliver
from gatehand.mqtt.failures import ConnectionFailedError, failure_notice
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import Outgoing
from gatehand.text import wrapped

_STDIN: Final = 0
_INTERRUPTS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP)
"""Ctrl-C, the system, a terminal that is closed, Ctrl-Z: one that is suspended could stop nothing."""
_DELIVER_WITHIN: Final = 2.5
_AGAIN_AFTER: Final = 0.5
_WIDEST: Final = 100


class EndOfInput(Enum):
    """What ends an exercise or its questions."""

    NOBODY_THERE = auto()
    """Nobody types any more: the input has ended."""
    INTERRUPTED = auto()
    """The person wants it to end now."""


TerminalEvent: TypeAlias = Message | str | EndOfInput
"""A message, a line that the person typed (without its end), or an ending."""


class TerminalIo:
    """The world of one connection, and of a person at standard input who reads `out`."""

    def __init__(self, client: PlainClient, settings: BrokerSettings, out: TextIO) -> None:
        self._client = client
        self._settings = settings
        self._out = out
        self._width = min(_WIDEST, shutil.get_terminal_size((80, 24)).columns)
        self._echoes = os.isatty(_STDIN)
        self._open = False
        """A question's line has not ended yet."""
        self._happened: asyncio.Queue[TerminalEvent | ClientError] = asyncio.Queue()

    def now(self) -> float:
        """Monotonic seconds."""
        return time.monotonic()

    def say(self, text: str) -> None:
        """Tell the person something."""
        self._write(text, "\n")

    def ask(self, text: str) -> None:
        """Ask the person something; the answer comes from `next`."""
        self._write(text, ": ")
        self._open = True

    def _write(self, text: str, end: str) -> None:
        before = "\n" if self._open else ""
        self._open = False
        # Two columns for what follows a question.
        print(before + "\n".join(wrapped(text, self._width - 2)), end=end, file=self._out, flush=True)

    async def send(self, outgoing: Outgoing) -> str | None:
        """Publish; what the broker had against it, as a sentence, or None.

        Raises:
            ClientError: the broker is gone.
        """
        objection = await self._client.send(outgoing)
        return None if objection is None else objection.text

    async def send_anew(self, off: Outgoing, within: float) -> str | None:
        """Bring an off to the broker over connections of its own, tried again for `within` seconds.

        Gives why the broker does not have it in the end, or None.
        """
        settings = replace(self._settings, client_id=f"{self._settings.client_id}-off")
        until = time.monotonic() + within
        while True:
            try:
                (why,) = await deliver(settings, [off], _DELIVER_WITHIN)
            except ConnectionFailedError as failed:
                why = failure_notice(failed, settings).text
            if why is None or time.monotonic() >= until:
                return why
            await asyncio.sleep(_AGAIN_AFTER)

    async def next(self, until: float) -> TerminalEvent | None:
        """What happens next, or None when it is `until` (monotonic seconds, may be infinite) before anything does.

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
        if isinstance(found, str):
            self._open = self._open and not self._echoes  # Enter has ended the line, where it is seen
        return found

    def happen(self, happening: TerminalEvent | ClientError) -> None:
        """Something for `next`; in the event loop only."""
        self._happened.put_nowait(happening)

    async def listen(self) -> None:
        """Hear the broker until cancelled."""
        try:
            async for message in self._client.messages():
                self.happen(message)
        except ClientError as error:
            self.happen(error)


@asynccontextmanager
async def terminal_io(settings: BrokerSettings, topics: Sequence[str], out: TextIO) -> AsyncIterator[TerminalIo]:
    """A world that hears these topics, the person at standard input, and Ctrl-C.

    Raises:
        ClientError: no connection.
    """
    async with plain_client(settings, topics) as client:
        made = TerminalIo(client, settings, out)
        loop = asyncio.get_running_loop()
        listening = asyncio.ensure_future(made.listen())
        _read_lines(loop, made.happen)
        _end_by_interrupt(loop, made.happen)
        try:
            yield made
        finally:
            listening.cancel()
            await asyncio.wait({listening})


def _read_lines(loop: asyncio.AbstractEventLoop, happen: Callable[[TerminalEvent], None]) -> None:
    """Lines of standard input, from a thread that nobody has to wait for: files cannot be polled, terminals can."""

    def tell(happening: TerminalEvent) -> bool:
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
                if not tell(line.decode(errors="replace").rstrip("\r")):
                    return
            if not some:
                if rest:
                    tell(rest.decode(errors="replace"))
                tell(EndOfInput.NOBODY_THERE)
                return

    threading.Thread(target=read, name="standard input", daemon=True).start()


def _end_by_interrupt(loop: asyncio.AbstractEventLoop, happen: Callable[[TerminalEvent], None]) -> None:
    """The first of them ends it in order, the second as it always does."""

    def interrupt() -> None:
        for number in _INTERRUPTS:
            loop.remove_signal_handler(number)
        happen(EndOfInput.INTERRUPTED)

    for number in _INTERRUPTS:
        loop.add_signal_handler(number, interrupt)
