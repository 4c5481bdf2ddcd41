"""What the page takes from the config, and again when the file changes: the tiles, what a phone may ask for, names.

A config with a mistake changes nothing: the last good one is kept, and both journal and page say so. The socket, its
encryption and the broker are those that the page was started with.
"""

import asyncio
from collections.abc import Callable, Collection
from contextlib import suppress
from typing import Final, NoReturn

from gatehand.config import Config, Loaded
from gatehand.config.check_page import is_loopback
from gatehand.config.tables import PageTable
from gatehand.phone.live import Say
from gatehand.phone.parts import Stations
from gatehand.shell.config_file import HANGS, LONGEST_LOOK, ConfigFile, Seen, in_a_thread

LOOK_EVERY: Final = 2.0
"""Seconds between two looks at the file."""

_HAS_MISTAKES: Final = "The config has mistakes, so the last good one stays in force. Fix what gatehand check shows."


class Settings:
    """The config in force, as far as the page needs it.

    Args:
        loaded: what was read at the start; None: the page has no config.
        config: what of it can be used: all, or, of one with mistakes, what could be read.
        listen: where the page listens, whatever the config says.
        say: takes a line for the journal.
        elsewhere: has a look at the file done outside the loop; its disk may hang.
    """

    def __init__(
        self,
        loaded: Loaded | None,
        config: Config | None,
        listen: str | None = None,
        *,
        say: Say = lambda _level, _text: None,
        elsewhere: Callable[[Callable[[], None]], None] = in_a_thread,
    ) -> None:
        self._say = say
        self._elsewhere = elsewhere
        self._file = None if loaded is None else ConfigFile(loaded.path, loaded.text, files=False)
        self.loaded = loaded
        """The last one without a mistake, if there was one."""
        self.config = config
        self.on_change: Callable[[], None] = lambda: None
        """Called when something here has changed."""
        self._begun = config
        self.page = (config.page if config is not None else None) or PageTable()
        """What the page allows and how it may be called; `listen` and `tls` are those of the start."""
        self._listen_given = listen is not None
        self._listen = listen or self.page.listen
        self._exposed = not is_loopback(self._listen) and self.page.tls is None
        self._mistake = ""
        self._waits: tuple[str, ...] = ()
        if loaded is not None and loaded.config is None:
            self._mistake = _HAS_MISTAKES
        self.page = self._allowed(self.page)
        self.stations = None if config is None else Stations.of(config)
        """The tiles in the order of the config."""

    @property
    def caution(self) -> str:
        """What the page has to say of its config; empty: nothing."""
        waits = f"Restart gatehand page to take the change of {', '.join(self._waits)}." if self._waits else ""
        open_now = ""
        if self._exposed and self.config is not None and self.config.page is not None and self.config.page.allow:
            open_now = f"Nothing can be asked for here: the page listens on {self._listen} without encryption."
        return " ".join(filter(None, (self._mistake, waits, open_now)))

    def names(self, kind: str) -> Collection[str]:
        """The config's gates or collectors."""
        named: Collection[str] = {} if self.config is None else getattr(self.config, kind).keys()
        return named

    def _allowed(self, page: PageTable) -> PageTable:
        """What the config allows; nothing while it has a mistake, or while the page listens to others unencrypted."""
        is_sound = self.loaded is None or self.loaded.config is not None
        allow = page.allow if is_sound and not self._exposed else ()
        return page.model_copy(update={"allow": allow, "listen": self._listen, "tls": self.page.tls})

    async def watch(self) -> NoReturn:
        """Look at the file until cancelled."""
        while True:
            await asyncio.sleep(LOOK_EVERY)
            if self._file is not None:
                await self._look(self._file)

    async def _look(self, file: ConfigFile) -> None:
        loop, done = asyncio.get_running_loop(), asyncio.Event()
        found: list[Seen | Exception] = []

        def work() -> None:
            try:
                found.append(file.look())
            except Exception as error:  # noqa: BLE001 - told below
                found.append(error)
            with suppress(RuntimeError):  # the page has ended meanwhile
                loop.call_soon_threadsafe(done.set)

        self._elsewhere(work)
        try:
            async with asyncio.timeout(LONGEST_LOOK):
                await done.wait()
        except TimeoutError:
            self._keep(HANGS)
            await done.wait()  # no second look beside one that hangs
        seen = found[0]
        if isinstance(seen, Exception):
            self._keep(f"could not be read ({type(seen).__name__}: {seen})")
        elif seen.unreadable is not None:
            self._keep(seen.unreadable)
        elif seen.loaded is not None:
            self._take(seen.loaded)
        elif not seen.absent and self._mistake not in {"", _HAS_MISTAKES}:
            self._mistake = ""  # it hung, and is as it was
            self.on_change()

    def _keep(self, why: str) -> None:
        mistake = f"The config {why}; the last good one is in force."
        if mistake != self._mistake and self._file is not None:
            self._mistake = mistake
            self._say("error", f"the config {self._file.path} {why}; the last good one stays in force")
            self.on_change()

    def _take(self, loaded: Loaded) -> None:
        if (config := loaded.config) is None:
            self._mistake = _HAS_MISTAKES
            for problem in loaded.errors:
                self._say("error", f"config not taken: {problem}")
        else:
            self._mistake = ""
            self.loaded, self.config = loaded, config
            self._waits = self._waiting(config)
            self.page = self._allowed(config.page or PageTable())
            self.stations = Stations.of(config)
            self._say("info", f"config taken from {loaded.path}")
            if self._waits:
                self._say("warning", f"a change of {', '.join(self._waits)} is taken when gatehand page is restarted")
        self.on_change()

    def _waiting(self, config: Config) -> tuple[str, ...]:
        """What has changed and is taken at the next start."""
        begun = self._begun or Config()
        before, after = begun.page or PageTable(), config.page or PageTable()
        changed = {
            "[page] listen": before.listen != after.listen and not self._listen_given,
            "[page] tls": before.tls != after.tls,
            "[broker]": begun.broker != config.broker,
        }
        return tuple(name for name, differs in changed.items() if differs)
