"""The loop around it all: hears the broker, runs the program, one run at a time, and remembers what was told."""

import asyncio
import json
import math
import sys
import time
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from contextlib import suppress
from datetime import time as time_of_day
from pathlib import Path
from typing import Final, NoReturn, TypeAlias

from msgspec import Struct

from gatehand.mqtt.client import ClientError
from gatehand.mqtt.hearing import Ears, keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.notify import runner
from gatehand.notify.digest import Digests, told
from gatehand.notify.entry import Entry, arguments, as_input
from gatehand.notify.heard import Graces, Heard
from gatehand.notify.memory import Digested, Memory, MemoryFile, UnreadableMemoryError
from gatehand.notify.runner import Outcome
from gatehand.notify.telling import EVERY, Telling
from gatehand.screen.listen import Where
from gatehand.shell.service import notify
from gatehand.text import listed, named
from gatehand.times import stamp

BEAT: Final = 10.0
"""Seconds between two looks at the clock, which somebody may set."""
_KEEP_EVERY: Final = 1.0
"""Seconds between two writings of what only messages have changed."""
_COUNTED_WITHIN: Final = 300.0
"""Seconds for what the log has of a day."""

Run: TypeAlias = Callable[[Sequence[str], bytes, float], Awaitable[Outcome]]
Hear: TypeAlias = Callable[[BrokerSettings, Sequence[str], Ears], Coroutine[None, None, NoReturn]]


class Asked(Struct, frozen=True):
    """What the owner wants."""

    command: tuple[str, ...]
    """The program's file and the owner's arguments."""
    graces: Graces = Graces()
    ends: bool = False
    limit: float = 30.0
    digest: time_of_day | None = None
    config: Path = Path("config.toml")
    """For the digest: it says where the event log is."""


class Service:
    """`run` until `stop`.

    Args:
        where: the broker.
        asked: what to do.
        memory: where it is remembered what was told.
        say: a line for the journal.
        run: runs the program; `runner.run` but in a test.
        hear: hears the broker; `keep_hearing` but in a test.
        wall: wall seconds.
    """

    def __init__(
        self,
        where: Where,
        asked: Asked,
        memory: MemoryFile,
        say: Callable[[str], None],
        *,
        run: Run = runner.run,
        hear: Hear = keep_hearing,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._where, self._asked, self._file, self._say = where, asked, memory, say
        self._run, self._hear, self._wall = run, hear, wall
        self._stop, self._wake = asyncio.Event(), asyncio.Event()
        self._running: asyncio.Task[None] | None = None
        self._trouble: str | None = None
        self._kept_at = -math.inf
        self._flood_said = -math.inf
        self._unkept = False
        """Something may have changed since then."""
        self._problem: str | None = "not connected yet"
        self._last_run: float | None = None
        """Wall seconds."""
        self._digests: Digests | None = None
        self._digested: Digested | None = None

    def stop(self) -> None:
        """End `run`, once the program that is running has ended; asked twice, at once."""
        if self._stop.is_set() and self._running is not None:
            self._running.cancel()
        self._stop.set()
        self._wake.set()

    async def run(self) -> None:
        """Hear and tell."""
        self._begin_with(self._recalled())
        hearing = asyncio.ensure_future(self._hear(self._where.settings, self.heard.topics, self))
        hearing.add_done_callback(lambda _: self._wake.set())
        notify("READY=1")
        try:
            while not self._stop.is_set() and not hearing.done():
                self._look()
                await self._sleep()
        finally:
            notify("STOPPING=1")
            if self._running is not None:
                with suppress(asyncio.CancelledError):
                    await asyncio.wait((self._running,))
            self._keep()
            hearing.cancel()
            await asyncio.wait((hearing,))
        if not hearing.cancelled():
            hearing.result()  # it ends by itself only with an error of ours, which is the caller's to see

    # The hearing calls

    def connected(self) -> None:
        """See `Ears`."""
        self.heard.connected(self._now(), self._wall())
        self._say(f"connected to {self._where.text}")
        self._problem = None
        self._wake.set()

    def hear(self, message: Message) -> None:
        """See `Ears`."""
        now, wall = self._now(), self._wall()
        self.heard.hear(message.topic, message.payload, retained=message.retained, now=now, wall=wall)
        self._wake.set()

    def lost(self, error: ClientError) -> None:
        """See `Ears`."""
        self.heard.lost(str(error), self._now(), self._wall())
        if str(error) != self._problem:
            self._problem = str(error)
            self._say(f"no connection: {error}; trying again")
        self._wake.set()

    # Inside

    def _now(self) -> float:
        return asyncio.get_running_loop().time()

    def _recalled(self) -> Memory:
        try:
            return self._file.recall()
        except UnreadableMemoryError as error:
            self._say(str(error))
            return Memory()

    def _begin_with(self, memory: Memory) -> None:
        now, wall = self._now(), self._wall()
        self._last_run, self._digested = memory.last_run, memory.digest
        ago = math.inf if memory.last_run is None else wall - memory.last_run
        last = now - ago if 0 <= ago < EVERY else -math.inf
        self.telling = Telling(ends=self._asked.ends, kept=memory.kept, last_run=last)
        self.heard = Heard(self._where.base, self.telling, self._asked.graces, self._say)
        if self._asked.digest is not None:
            self._digests = Digests(self._asked.digest, memory.digest, wall)

    def _look(self) -> None:
        """What is due now."""
        now, wall = self._now(), self._wall()
        notify("WATCHDOG=1")
        self.heard.pass_time(now, wall)
        if self.telling.turned_away and now >= self._flood_said + EVERY:
            self._flood_said = now
            self._say(f"too many alarms at once: {named(self.telling.turned_away, 'alarm')} left out")
            self.telling.turned_away = 0
        if self._running is None and not self._stop.is_set():
            if self.telling.next_run() <= now:
                self._last_run = wall
                self._start(self._tell(self.telling.begin(now)))
            elif self._digests is not None and self._digests.look(wall):
                self._start(self._tell_digest(self._digests, wall))
        self._unkept = now < self._kept_at + _KEEP_EVERY
        if not self._unkept:
            self._keep()

    async def _sleep(self) -> None:
        now = self._now()
        left = BEAT if self._running is not None else min(self.heard.wake_at(now) - now, BEAT)  # a run's end wakes us
        if self._unkept:
            left = min(left, self._kept_at + _KEEP_EVERY - now)
        left = max(left, 0.0)
        with suppress(TimeoutError):
            async with asyncio.timeout(left):
                await self._wake.wait()
        self._wake.clear()

    def _start(self, work: Awaitable[None]) -> None:
        self._running = asyncio.ensure_future(work)
        self._running.add_done_callback(self._over)

    def _over(self, task: "asyncio.Task[None]") -> None:
        self._running = None
        if not task.cancelled() and (error := task.exception()) is not None:
            self._say(f"an error of Gatehand's own: {type(error).__name__}: {error}")
        self._wake.set()

    async def _tell(self, entries: tuple[Entry, ...]) -> None:
        program, *own = self._asked.command
        well = False
        try:
            self._keep()
            given = as_input(each.shown() for each in entries)
            outcome = await self._run([program, *own, *arguments(entries)], given, self._asked.limit)
            well = outcome.well
        finally:
            given_up = self.telling.ended(well=well)
            self._keep()
        what = listed([f"{each.id} ({each.state})" for each in entries], last="and")
        if well:
            self._say(f"reported {what}{f'; {program} said: {outcome.said}' if outcome.said else ''}")
        else:
            self._say(f"could not report {what}: {program}: {outcome}; it will be tried again")
        for each in given_up:
            self._say(f"given up after too many tries: {each.id}, since {each.since}: {each.because}")

    async def _tell_digest(self, digests: Digests, wall: float) -> None:
        begin, end = span = digests.span(wall)
        well = False
        try:
            facts = await self._counted(begin, end)
            active = [each.entry.shown() for each in self.telling.active.values()]
            digests.begin()
            self._keep()
            outcome = await self._run(self._asked.command, as_input([told(facts, span, active)]), self._asked.limit)
            well = outcome.well
        finally:
            given_up = digests.ended(well=well, until=end, wall=self._wall())
            self._keep()
        if well:
            self._say(f"reported the day {digests.state.day}")
        else:
            then = "the next digest covers it" if given_up else "it will be tried again"
            self._say(f"could not report the day {digests.state.day}: {self._asked.command[0]}: {outcome}; {then}")

    async def _counted(self, begin: float, end: float) -> dict[str, object]:
        """What the log has of it."""
        words = ("-P", "-m", "gatehand.notify.digest_child", str(self._asked.config), stamp(begin), stamp(end))
        pipe = asyncio.subprocess.PIPE
        child = await asyncio.create_subprocess_exec(sys.executable, *words, stdout=pipe, stderr=pipe)
        try:
            async with asyncio.timeout(_COUNTED_WITHIN):
                said, errors = await child.communicate()
            found = json.loads(said)
        except TimeoutError:
            return {"problem": f"the log could not be read within {_COUNTED_WITHIN:g} s"}
        except ValueError:
            self._say(f"the log could not be read: {errors.decode(errors='replace')[-500:].strip()}")
            return {"problem": "the log could not be read; the journal of this service says why"}
        finally:
            if child.returncode is None:
                child.kill()
        return found if isinstance(found, dict) else {"problem": "the log could not be read"}

    def _keep(self) -> None:
        """Remember. What cannot be written is said once, and tried again."""
        self._kept_at, self._unkept = self._now(), False
        digest = self._digested if self._digests is None else self._digests.state
        try:
            self._file.keep(Memory(kept=self.telling.kept(), last_run=self._last_run, digest=digest))
        except OSError as error:
            why = f"what was reported cannot be remembered in {self._file.folder} ({error.strerror or error})"
            if why != self._trouble:
                self._say(f"{why}: a restart may report it again")
            self._trouble = why
        else:
            self._trouble = None
