"""Plays the day on the stage, or keeps the stage for whoever wants to play, and prints it. Gives the exit code."""

import asyncio
import math
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Final

from gatehand.demo import texts
from gatehand.demo.day import DAY, ENDS_AT, Once
from gatehand.demo.home import leave_if_empty, make_home
from gatehand.demo.stage import Stage, StageError, raised
from gatehand.demo.timeline import Timeline
from gatehand.demo.verdict import complaints, is_over, summary
from gatehand.journal.line import Line

INTERRUPTED: Final = 130
_PATIENCE: Final = 10.0
"""Seconds that a busy computer may take longer for anything."""
_LAST_ROWS: Final = 0.5


@dataclass(frozen=True, slots=True)
class Options:
    """What the user asked for."""

    keep: bool = False
    port: int = 0
    log: Path | None = None
    width: int = 80


async def play(options: Options, write: Callable[[str], None]) -> int:
    """Play; 0 when all went as scripted (or the user has played enough), 1 when not, 130 when the day was broken off.

    Raises:
        NoEmbeddedBrokerError, NoHomeError: what the demo needs is not there; the message says what to do.
    """
    home = make_home(options.log)
    timeline = Timeline(options.width, write)

    def heard(lines: list[Line]) -> None:
        timeline.gatehand(lines)
        timeline.print_until(time.monotonic())

    asked = asyncio.Event()
    with _interrupts(asked):
        write(texts.opening(keep=options.keep))
        try:
            async with raised(home, options.port, timeline.shop, heard) as stage:
                if options.keep:
                    code = await _keep(stage, timeline, asked, write)
                else:
                    code = await _play_day(stage, timeline, asked)
        except StageError as error:
            timeline.print_until(math.inf)
            write(f"\nThe demo cannot go on: {error}")
            return 1
        finally:
            leave_if_empty(home)
    # The daemon is down: the log is whole.
    timeline.print_until(math.inf)
    if code == INTERRUPTED:
        write("\nBroken off before the day was over.")
    elif not options.keep:
        code = _tell_end(stage, write)
    write(texts.closing(home))
    return code


async def _play_day(stage: Stage, timeline: Timeline, asked: asyncio.Event) -> int:
    opened = time.monotonic()
    timeline.open(opened)
    acted, since = opened, 0
    before = 0.0
    for happening in DAY:
        if await stage.wait(asked.is_set, acted + happening.at - before - time.monotonic()):
            return INTERRUPTED
        if happening.once is not None:
            await stage.wait(partial(_seen, stage, since, happening.once, asked), _PATIENCE)
        acted, since, before = time.monotonic(), len(stage.lines), happening.at
        stage.devices.act(happening.act)
        timeline.shop(acted, happening.text)
    await stage.wait(lambda: asked.is_set() or is_over(stage.lines), ENDS_AT - before + _PATIENCE)
    if asked.is_set():
        return INTERRUPTED
    await stage.wait(asked.is_set, _LAST_ROWS)
    return 0


def _seen(stage: Stage, since: int, once: Once, asked: asyncio.Event) -> bool:
    return asked.is_set() or any(once.fits(line) for line in islice(stage.lines, since, None))


async def _keep(stage: Stage, timeline: Timeline, asked: asyncio.Event, write: Callable[[str], None]) -> int:
    write(texts.invitation(stage.port, stage.home))
    timeline.open(time.monotonic())
    while not await stage.wait(asked.is_set, 3600.0):
        pass
    return 0


def _tell_end(stage: Stage, write: Callable[[str], None]) -> int:
    found = complaints(stage.lines)
    if stage.devices.breaches:
        found.append(f"The fan was driven against shut gates {len(stage.devices.breaches)} times.")
    found += [f"The daemon warned: {text}." for text in stage.warnings]
    write("\nThe day in short")
    for line in summary(stage.lines):
        write(texts.item(line))
    if found:
        write("\nNOT AS SCRIPTED")
        for line in found:
            write(texts.item(line))
        return 1
    write(texts.item("All went as scripted; the fan never turned against shut gates."))
    return 0


@contextmanager
def _interrupts(asked: asyncio.Event) -> Iterator[None]:
    """Ctrl-C and SIGTERM ask for an orderly end."""
    loop = asyncio.get_running_loop()
    numbers = (signal.SIGINT, signal.SIGTERM)
    for number in numbers:
        loop.add_signal_handler(number, asked.set)
    try:
        yield
    finally:
        for number in numbers:
            loop.remove_signal_handler(number)
