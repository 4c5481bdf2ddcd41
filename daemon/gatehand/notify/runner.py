"""Runs the owner's program: no shell, standard input from a file, a time limit for all of its process group."""

import asyncio
import os
import shutil
import signal
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from msgspec import Struct

from gatehand.screen.daemon_status import printable
from gatehand.times import lasting

TERM_WAITS: Final = 5.0
"""Seconds between SIGTERM and SIGKILL."""
_MOST_SAID: Final = 2000
"""Bytes of the program's output that are kept."""
_SHOWN: Final = 500
_LAST_WORDS: Final = 0.2
"""Seconds in which what an ended program has written is taken in, when something that it started lives on."""
_NOT_ITS: Final = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")


class NoProgramError(Exception):
    """There is no such program; the text says what was found and what is wanted."""


class Outcome(Struct, frozen=True):
    """What became of a run. `trouble`: None, or why it counts as failed, as a clause."""

    trouble: str | None = None
    said: str = ""
    """What it printed, in one line."""

    @property
    def well(self) -> bool:
        """It was told."""
        return self.trouble is None

    def __str__(self) -> str:
        words = self.trouble or "it ended well"
        return f"{words}; it said: {self.said}" if self.said else words


def find(program: str) -> Path:
    """The program's file; a name without a slash is looked for in PATH.

    Raises:
        NoProgramError: it is not there, or may not be run.
    """
    if "/" not in program:
        found = shutil.which(program)
        if found is None:
            raise NoProgramError(f"found no program {program!r} in PATH; name its folder too, such as ./{program}")
        return Path(found).absolute()
    path = Path(program)
    try:
        if path.is_dir():
            raise NoProgramError(f"{program} is a folder: wanted a program")
        if not path.exists():
            raise NoProgramError(f"{program} is not there: wanted a program")
    except (OSError, ValueError) as error:
        raise NoProgramError(f"{program!r} cannot be looked at ({error}): wanted a program") from None
    if not os.access(path, os.X_OK):
        raise NoProgramError(f"{program} is not executable for this user: chmod +x {program}")
    return path.absolute()


async def run(command: Sequence[str], given: bytes, limit: float) -> Outcome:
    """Run it to its end, or end it after `limit` seconds: SIGTERM to its whole process group, then SIGKILL.

    Args:
        command: the program's file and its arguments.
        given: its standard input.
        limit: seconds.
    """
    try:
        return await _run(command, given, limit)
    except OSError as error:  # of this computer: no room for the input, too many files open
        return Outcome(f"it could not be run: {error.strerror or error}")


async def _run(command: Sequence[str], given: bytes, limit: float) -> Outcome:
    with tempfile.TemporaryFile() as file:
        file.write(given)
        file.seek(0)
        ear = _Ear()
        try:
            process = await asyncio.create_subprocess_exec(
                *command,
                stdin=file,
                stdout=ear.far,
                stderr=ear.far,
                start_new_session=True,
                env={key: value for key, value in os.environ.items() if key not in _NOT_ITS},
            )
        except (OSError, ValueError) as error:
            ear.close()
            return Outcome(_not_started(command[0], error))
        ear.listen()
        try:
            ended = await _within(process, limit)
        except asyncio.CancelledError:
            await _end(process)
            raise
        finally:
            await ear.last_words()
    code = process.returncode
    if not ended:
        return Outcome(f"it took longer than {lasting(limit)} and was stopped", ear.said)
    if code is not None and code < 0:
        return Outcome(f"it was killed by {_signal(-code)}", ear.said)
    return Outcome(None if code == 0 else f"it ended with exit code {code}", ear.said)


def _not_started(program: str, error: OSError | ValueError) -> str:
    why = getattr(error, "strerror", None) or str(error)
    hint = " (its first line must name its interpreter, such as #!/bin/sh)" if "format" in why.lower() else ""
    return f"{program} could not be started: {why}{hint}"


def _signal(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"


async def _within(process: asyncio.subprocess.Process, limit: float) -> bool:
    """Whether it ended by itself in time."""
    try:
        async with asyncio.timeout(limit):
            await process.wait()
    except TimeoutError:
        await _end(process)
        return False
    return True


async def _end(process: asyncio.subprocess.Process) -> None:
    """The process and all of its group; what has ended by itself in the meantime is left alone."""
    _tell(process.pid, signal.SIGTERM)
    try:
        async with asyncio.timeout(TERM_WAITS):
            await process.wait()
    except TimeoutError:
        pass
    _tell(process.pid, signal.SIGKILL)
    await process.wait()


def _tell(group: int, number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):  # gone; or another user's by now, as a mailer may be
        os.killpg(group, number)


class _Ear:
    """The near end of what a program prints: its beginning is kept, all of it is taken."""

    def __init__(self) -> None:
        self._near, self.far = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        os.set_blocking(self.far, True)
        self._kept = bytearray()
        self._closed = asyncio.Event()

    @property
    def said(self) -> str:
        """In one line, cut short."""
        text = printable(bytes(self._kept).decode(errors="replace"))
        return text if len(text) <= _SHOWN else text[:_SHOWN] + "..."

    def listen(self) -> None:
        """The program has the far end now."""
        os.close(self.far)
        self.far = -1
        asyncio.get_running_loop().add_reader(self._near, self._take)

    def _take(self) -> None:
        try:
            found = os.read(self._near, 65_536)
        except BlockingIOError:
            return
        except OSError:
            found = b""
        if found:
            self._kept += found[: _MOST_SAID - len(self._kept)]
        else:
            self.close()

    async def last_words(self) -> None:
        """Take in what is left, without waiting for anybody who still has the far end."""
        with suppress(TimeoutError):
            async with asyncio.timeout(_LAST_WORDS):
                await self._closed.wait()
        self.close()

    def close(self) -> None:
        """No more of it."""
        if self._near >= 0:
            asyncio.get_running_loop().remove_reader(self._near)
            os.close(self._near)
            self._near = -1
        if self.far >= 0:
            os.close(self.far)
            self.far = -1
        self._closed.set()
