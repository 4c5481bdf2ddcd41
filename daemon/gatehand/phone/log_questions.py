"""Asks the event log on behalf of phones: each question in a child process, one at a time, its answer kept for a while.

The child takes the memory and the time; this file sets its bounds. No word of a request reaches it unchecked: a name
must be one of the config's, a date must be a date.
"""

import asyncio
import json
import os
import sys
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

from gatehand.phone.settings import Settings
from gatehand.text import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping

ANSWER_WITHIN: Final = 20.0
"""Seconds until a child is ended."""
WAIT_WITHIN: Final = 30.0
"""Seconds that a question waits for those before it."""
_MOST_WAITING: Final = 64
"""Questions that wait for those before them: each keeps one of the page's connections."""
LARGEST: Final = 4_000_000
"""Bytes of an answer."""
_COMMAND: Final = {"why": "why", "day": "log", "upkeep": "report", "report": "report"}
"""What gives the same at a terminal."""
_KEPT_FOR: Final = {"why": 2.0, "day": 15.0, "upkeep": 60.0, "report": 60.0}
"""Seconds."""
_MOST_KEPT: Final = 16
_MOST_KEPT_BYTES: Final = 2 * LARGEST
_CHUNK: Final = 65_536
_OLDEST: Final = date(2000, 1, 1)
_KINDS: Final = ("tool", "gate", "collector")
_BUSY: Final = "Others are asking the event log just now. Try again in a minute."
_FAILED: Final = "The event log gave no answer. The journal of gatehand page says more."


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a question."""

    ok: bool
    content: bytes
    """JSON with `ok`, and with `text` where that is false; of a report that is there: HTML."""
    status: int = 200
    """Of HTTP: 400 for what cannot be asked, 404 where there is no log or no such thing, 503 for no answer."""
    is_html: bool = False


def _no(text: str, status: int) -> Answer:
    return Answer(ok=False, content=json.dumps({"ok": False, "text": text}).encode(), status=status)


class LogQuestions:
    """The log where the page runs, if the daemon's is there."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._one = asyncio.Lock()
        self._waiting = 0
        self._kept: dict[tuple[str, ...], tuple[float, Answer]] = {}
        self._child: asyncio.subprocess.Process | None = None
        self._ended = False

    @property
    def is_here(self) -> bool:
        """Whether the log can be asked here."""
        return self._missing() is None

    async def why(self, kind: str, name: str) -> Answer:
        """What happened last to a tool, a gate or a collector that should not have: `{"ok", "lines"}`."""
        config = self._settings.config
        known: Mapping[str, object] = getattr(config, kind) if config is not None and kind in _KINDS else {}
        if config is not None and kind not in _KINDS:
            return _no(f"found the kind {kind[:40]!r}; wanted tool, gate or collector", 400)
        if config is not None and name not in known:
            return _no(f"there is no {kind} {name[:64]!r} in the config; {did_you_mean(name[:64], known)}", 404)
        return await self._ask("why", f"{kind}.{name}")

    async def day(self, day: str | None = None) -> Answer:
        """The bars of a local day, `2026-03-05`; None: today."""
        today = date.today()  # noqa: DTZ011 - this machine's day is meant
        try:
            asked = today if day is None else date.fromisoformat(day)
        except ValueError:
            return _no(f"found the date {day[:40] if day else ''!r}; wanted one such as {today.isoformat()}", 400)
        if not _OLDEST <= asked <= today + timedelta(days=1):
            return _no(f"{asked.isoformat()} is not a day that a log can have; wanted a day up to today", 400)
        return await self._ask("day", asked.isoformat())

    async def upkeep(self) -> Answer:
        """What upkeep is due, and when: `{"ok", "upkeep": [{"name", "text", "word"}]}`."""
        return await self._ask("upkeep")

    async def report(self) -> Answer:
        """The report's page of the last 30 days, as HTML."""
        return await self._ask("report")

    def end(self) -> None:
        """End the child that answers now, and begin none."""
        self._ended = True
        self._end_child()

    def _missing(self) -> str | None:
        """Why there is nothing to ask."""
        loaded, config = self._settings.loaded, self._settings.config
        if loaded is None or config is None:
            return (
                "This page has no config, so it does not know where the event log is. Run gatehand page on the "
                "daemon's computer, with the daemon's config."
            )
        folder = loaded.file(config.log.folder)
        if not folder.is_dir():
            return (
                f"There is no event log here: the folder {folder} is missing. Run gatehand page on the "
                "daemon's computer, with the daemon's config."
            )
        if not os.access(folder, os.R_OK | os.X_OK):
            return f"The page's user may not read the event log {folder}. Put that user in the daemon's group."
        return None

    async def _ask(self, *words: str) -> Answer:
        if (missing := self._missing()) is not None:
            return _no(missing, 404)
        loop = asyncio.get_running_loop()
        begun = loop.time()
        if self._waiting >= _MOST_WAITING:
            return _no(_BUSY, 503)
        self._waiting += 1
        try:
            async with asyncio.timeout(WAIT_WITHIN):
                await self._one.acquire()
        except TimeoutError:
            return _no(_BUSY, 503)
        finally:
            self._waiting -= 1
        try:
            kept = self._kept.get(words)
            # What was begun for another after this question was put is as good as new.
            if kept is not None and (loop.time() - kept[0] < _KEPT_FOR[words[0]] or kept[0] >= begun):
                return kept[1]
            since = loop.time()
            answer = await self._answer(words)
            self._keep(words, since, answer)
            return answer
        finally:
            self._one.release()

    def _keep(self, words: tuple[str, ...], at: float, answer: Answer) -> None:
        """Within bounds: what is out of date goes, then the oldest."""
        self._kept.pop(words, None)
        self._kept[words] = at, answer
        while (
            len(self._kept) > _MOST_KEPT or sum(len(one.content) for _, one in self._kept.values()) > _MOST_KEPT_BYTES
        ):
            del self._kept[next(iter(self._kept))]
        now = asyncio.get_running_loop().time()
        for old in [key for key, (since, _) in self._kept.items() if now - since > _KEPT_FOR[key[0]]]:
            del self._kept[old]

    async def _answer(self, words: tuple[str, ...]) -> Answer:
        loaded = self._settings.loaded
        if loaded is None or self._ended:
            return _no("The page is about to stop.", 503)
        question, *about = words
        try:
            self._child = await asyncio.create_subprocess_exec(
                # -P: what lies about in the folder where the page was started is none of our program.
                *(sys.executable, "-P", "-m", "gatehand.phone.log_child", question, str(loaded.path), *about),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
            )
        except OSError as error:
            return _no(
                f"The event log cannot be read just now ({error.strerror or error}). Try again in a minute.", 503
            )
        if self._ended:
            self._end_child()
        try:
            async with asyncio.timeout(ANSWER_WITHIN):
                content = await _output(self._child, loaded.text.encode())
                code = await self._child.wait()
        except TimeoutError:
            return _no(
                f"The event log did not answer within {ANSWER_WITHIN:g} s. On the computer itself "
                f"gatehand {_COMMAND[question]} takes the time that it needs.",
                503,
            )
        finally:
            self._end_child()
            await self._child.wait()
            self._child = None
        return _judged(question, content, code)

    def _end_child(self) -> None:
        if self._child is not None and self._child.returncode is None:
            with suppress(ProcessLookupError):
                self._child.kill()


async def _output(child: asyncio.subprocess.Process, given: bytes) -> bytes | None:
    """What it says; None: too much."""
    assert child.stdin is not None  # noqa: S101 - as it was made
    assert child.stdout is not None  # noqa: S101
    with suppress(BrokenPipeError, ConnectionResetError):  # it has ended early: its exit code says so
        child.stdin.write(given)
        await child.stdin.drain()
    child.stdin.close()
    content = bytearray()
    while chunk := await child.stdout.read(_CHUNK):
        content += chunk
        if len(content) > LARGEST:
            child.kill()
            return None
    return bytes(content)


def _judged(question: str, content: bytes | None, code: int) -> Answer:
    if content is None:
        return _no(
            f"The answer is too large for a phone. On the computer itself gatehand {_COMMAND[question]} gives it.", 503
        )
    if code not in {0, 1}:
        return _no(_FAILED, 503)
    if question == "report" and code == 0:
        return Answer(ok=True, content=content, is_html=True)
    try:
        ok = json.loads(content)["ok"] is True
    except (ValueError, KeyError, TypeError):
        return _no(_FAILED, 503)
    return Answer(ok=ok, content=content, status=200 if ok else 503)
