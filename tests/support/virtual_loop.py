"""An event loop whose waits take no time: for what asyncio code promises about durations. No socket, no file."""

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class _Waits(selectors.SelectSelector):
    """Waits by moving the clock."""

    now = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        assert timeout is not None, "it waits for ever"
        self.now += timeout
        return super().select(0)


class VirtualLoop(asyncio.SelectorEventLoop):
    """Its clock begins at 0 and moves only while everybody waits."""

    def __init__(self) -> None:
        self._waits = _Waits()
        super().__init__(self._waits)

    def time(self) -> float:
        return self._waits.now


def timed(work: Coroutine[Any, Any, T]) -> tuple[T, float]:
    """What it gives, and how long it took, in seconds."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(work), runner.get_loop().time()
