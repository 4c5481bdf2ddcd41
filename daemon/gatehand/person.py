"""A person at a terminal: what is said to them, the lines that they type, Ctrl-C.

Asks for little, `now` to `next`, so that a test can be the person. Knows no broker.
"""

import asyncio
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import Enum, auto
from typing import Final, Generic, TextIO, TypeAlias, TypeVar

from gatehand.terminal import paragraph, wrapped

_STDIN: Final = 0
INTERRUPTS: Final = (signal.SIGINT, signal.SIGTERM)
"""Ctrl-C, and the system."""


class EndOfInput(Enum):
    """What ends an exercise or its questions."""

    NOBODY_THERE = auto()
    """Nobody types any more: the input has ended."""
    INTERRUPTED = auto()
    """The person wants it to end now."""


Typed: TypeAlias = str | EndOfInput
"""A line that the person typed (without its end), or an ending."""
T = TypeVar("T")


class Person(Generic[T]):
    """The person at standard input who reads `out`. `next` gives what they type, and what else `happen` was told."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._width = paragraph(80, out)
        self._echoes = os.isatty(_STDIN)
        self._open = False
        """A question's line has not ended yet."""
        self._happened: asyncio.Queue[T | Typed | Exception] = asyncio.Queue()

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
        try:
            # Two columns for what follows a question.
            print(before + "\n".join(wrapped(text, self._width - 2)), end=end, file=self._out, flush=True)
        except OSError:  # the terminal is gone, or what read here has ended: nobody reads it, so it ends in order
            self.happen(EndOfInput.INTERRUPTED)

    async def next(self, until: float) -> T | Typed | None:
        """What happens next, or None when it is `until` (monotonic seconds, may be infinite) before anything does.

        Raises:
            Exception: one that `happen` was told.
        """
        left = until - time.monotonic()
        try:
            async with asyncio.timeout(None if left == float("inf") else max(0.0, left)):
                found = await self._happened.get()
        except TimeoutError:
            return None
        if isinstance(found, Exception):
            raise found
        if isinstance(found, str):
            self._open = self._open and not self._echoes  # Enter has ended the line, where it is seen
        return found

    def happen(self, happening: T | Typed | Exception) -> None:
        """Something for `next`; in the event loop only."""
        self._happened.put_nowait(happening)

    @contextmanager
    def attentive(self, *, lines: bool = True, ends: Sequence[signal.Signals] = INTERRUPTS) -> Iterator[None]:
        """Hear what ends it and, unless told otherwise, the lines of standard input; within a running event loop."""
        loop = asyncio.get_running_loop()
        if lines:
            _read_lines(loop, self.happen)
        _end_by_interrupt(loop, self.happen, ends)
        try:
            yield
        finally:
            for number in ends:
                loop.remove_signal_handler(number)


def _read_lines(loop: asyncio.AbstractEventLoop, happen: Callable[[Typed], None]) -> None:
    """Lines of standard input, from a thread that nobody has to wait for: files cannot be polled, terminals can."""

    def tell(happening: Typed) -> bool:
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


def _end_by_interrupt(
    loop: asyncio.AbstractEventLoop, happen: Callable[[Typed], None], ends: Sequence[signal.Signals]
) -> None:
    """The first of them ends it in order, the second as it always does."""

    def interrupt() -> None:
        for number in ends:
            loop.remove_signal_handler(number)
        happen(EndOfInput.INTERRUPTED)

    for number in ends:
        loop.add_signal_handler(number, interrupt)
