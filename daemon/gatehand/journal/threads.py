"""A thread that writes beside the control loop, and how the loop hears from it: for log, recording and state file."""

import contextlib
import threading
from collections.abc import Callable
from functools import partial
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    import asyncio  # `gatehand off` has what stands here, and does without until it connects

Job: TypeAlias = Callable[[], object]


def call_in(loop: "asyncio.AbstractEventLoop | None", callback: Callable[[], object]) -> None:
    """Call in the loop's thread, soon; at once where there is no loop. One that is closed has nobody left to tell."""
    if loop is None:
        callback()
        return
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(callback)


class Worker:
    """Does jobs one after the other in a thread of its own; not `threaded`: each at once, when it is given.

    `do` is how a job is done. `idle` is called in the thread when for `every` seconds none has come.
    """

    def __init__(
        self,
        name: str,
        do: Callable[[Job], object] = lambda job: job(),
        *,
        threaded: bool,
        idle: Job = lambda: None,
        every: float | None = None,
    ) -> None:
        self._do = do
        self._idle = idle
        self._every = every
        self._jobs: SimpleQueue[Job | None] = SimpleQueue()
        self._thread: threading.Thread | None = None
        if threaded:
            self._thread = threading.Thread(target=self._work, name=name, daemon=True)
            self._thread.start()

    @property
    def waiting(self) -> int:
        """How many jobs have not been begun."""
        return self._jobs.qsize()

    def give(self, job: Job) -> None:
        """Have it done."""
        if self._thread is None:
            self._do(job)
        else:
            self._jobs.put(job)

    def end(self, within: float) -> bool:
        """Do what waits, then end; False when that takes longer than so many seconds. Later jobs are done at once."""
        if self._thread is not None:
            self._jobs.put(None)
            self._thread.join(max(0.0, within))
            if self._thread.is_alive():
                return False
            self._thread = None
        while self.waiting:  # what came too late for the thread
            if (job := self._jobs.get()) is not None:
                self._do(job)
        return True

    def _work(self) -> None:
        while True:
            try:
                job = self._jobs.get(timeout=self._every)
            except Empty:
                self._idle()
                continue
            if job is None:
                return
            self._do(job)


class Health:
    """Says when the disk begins to refuse, and why, and when it takes what it is given again (None).

    `on_change` is called in the thread of `loop`, if any.
    """

    def __init__(
        self,
        loop: "asyncio.AbstractEventLoop | None" = None,
        on_change: Callable[[str | None], object] = lambda _trouble: None,
    ) -> None:
        self.ill = False
        self._loop = loop
        self._on_change = on_change

    def is_now(self, trouble: str | None) -> None:
        """How it stands: None, or what is wrong. Only a change is told."""
        was, self.ill = self.ill, trouble is not None
        if self.ill != was:
            call_in(self._loop, partial(self._on_change, trouble))
