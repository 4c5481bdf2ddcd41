"""Plays the day, or keeps the shop up for whoever wants to play, and prints it: the timeline and all around it."""

import asyncio
import math
import shlex
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Final

from gatehand.demo.day import ENDS_AT, SCRIPT, LoggedEvent, first_missing
from gatehand.demo.environment import CONFIG_NAME, DemoError, Environment, brought_up, make_folder
from gatehand.demo.page_beside import NoPageError, page_beside
from gatehand.demo.timeline import Timeline
from gatehand.demo.verdict import complaints, is_over, summary
from gatehand.journal.line import LogLine
from gatehand.terminal import hung, paragraph, wrapped
from gatehand.text import named

INTERRUPTED: Final = 130
_PATIENCE: Final = 10.0
"""Seconds that a busy computer may take longer for anything."""
_LAST_ROWS: Final = 0.5
_WIDTH: Final = 79


async def play(
    *, keep: bool, port: int, folder: Path | None, width: int, write: Callable[[str], None], page: bool = False
) -> int:
    """Play; 0 when all went as scripted (or the user has played enough), 1 when not, 130 when the day was broken off.

    Args:
        keep: no script; the shop stays up.
        port: the broker's; 0: any that is free.
        folder: for log and config; None: a fresh one.
        width: of the screen, columns.
        write: prints a text and ends the line.
        page: with the shop on a phone beside it.

    Raises:
        NoEmbeddedBrokerError, FolderError: what the demo needs is not there; the message says what to do.
    """
    folder = make_folder(folder)
    timeline = Timeline(width, write)

    def heard(lines: list[LogLine]) -> None:
        timeline.gatehand(lines)
        timeline.print_until(time.monotonic())

    asked = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):  # both ask for an orderly end
        asyncio.get_running_loop().add_signal_handler(number, asked.set)
    write(opening(keep=keep))
    try:
        async with AsyncExitStack() as stack:
            demo = await stack.enter_async_context(brought_up(folder, port, timeline.shop, heard))
            if page:
                process, told = await stack.enter_async_context(page_beside(folder / CONFIG_NAME))
                demo.parts["the page"] = stack.enter_context(_while_it_runs(process))
                write("\n" + "\n".join(map(_fitted, told.splitlines())) + "\n")
            if keep:
                write(invitation(demo.port, demo.folder))
                timeline.open(time.monotonic())
                await demo.wait(asked.is_set, math.inf)
                code = 0
            else:
                code = await _play_day(demo, timeline, asked)
    except (DemoError, NoPageError) as error:
        timeline.print_until(math.inf)
        write(f"\nThe demo cannot go on: {error}")
        return 1
    finally:
        with suppress(OSError):  # nothing came of it, so nothing stays
            folder.rmdir()
    # The daemon is down: the log is whole.
    timeline.print_until(math.inf)
    if code == INTERRUPTED:
        write("\nStopped before the day was over.")
    elif not keep:
        code = tell_end(demo.lines, len(demo.devices.breaches), demo.warnings, write)
    write(closing(folder))
    return code


@contextmanager
def _while_it_runs(process: asyncio.subprocess.Process) -> Iterator[asyncio.Task[None]]:
    """A task that ends with the process."""

    async def watched() -> None:
        code = await process.wait()
        raise DemoError(f"its process has ended with {code}")

    task = asyncio.create_task(watched())
    try:
        yield task
    finally:
        task.cancel()


async def _play_day(demo: Environment, timeline: Timeline, asked: asyncio.Event) -> int:
    opened = time.monotonic()
    timeline.open(opened)
    acted, since, before = opened, 0, 0.0
    expected: list[LoggedEvent] = []

    def may_go_on() -> bool:
        return asked.is_set() or first_missing(expected, islice(demo.lines, since, None)) is None

    for one in SCRIPT:
        if isinstance(one, LoggedEvent):
            expected.append(one)
            continue
        if await demo.wait(asked.is_set, acted + one.at - before - time.monotonic()):
            return INTERRUPTED
        await demo.wait(may_go_on, _PATIENCE)
        acted, since, before = time.monotonic(), len(demo.lines), one.at
        expected.clear()
        demo.devices.act(one.messages)
        timeline.shop(acted, one.text)
    await demo.wait(lambda: asked.is_set() or is_over(demo.lines), ENDS_AT - before + _PATIENCE)
    if asked.is_set():
        return INTERRUPTED
    await demo.wait(asked.is_set, _LAST_ROWS)
    return 0


def tell_end(lines: Sequence[LogLine], breaches: int, warnings: Sequence[str], write: Callable[[str], None]) -> int:
    """The day in short; 0 when all went as scripted, else 1.

    Args:
        lines: of the event log.
        breaches: how often the fan was driven against shut gates.
        warnings: what the daemon said besides.
        write: as for `play`.
    """
    found = complaints(lines)
    if breaches:
        found.append(f"The fan was driven against shut gates {named(breaches, 'time')}.")
    found += [f"The daemon warned: {text}." for text in warnings]
    write("\nThe day in short")
    for line in summary(lines):
        write(item(line))
    if found:
        write("\nNOT AS SCRIPTED")
        for line in found:
            write(item(line))
        return 1
    write(item("All went as scripted; the fan never turned against shut gates."))
    return 0


def opening(*, keep: bool) -> str:
    """What is about to be seen."""
    what = (
        "it stays up for you to play with."
        if keep
        else "a working day in forty seconds. In a real shop run-on and coast-down are longer."
    )
    said = (
        f"An instrument maker's shop, simulated: its devices and the real Gatehand daemon talk over MQTT; {what} "
        "Gatehand is not a safety device: the emergency stop here is a contact it listens to, never the stop itself."
    )
    return "\n".join(wrapped(said, paragraph(_WIDTH))) + ("\n" if not keep else "")


def _fitted(line: str) -> str:
    """A line of another command's, wrapped; one that is set apart stays as it is."""
    return line if line.startswith(" ") else "\n".join(wrapped(line, paragraph(_WIDTH)))


def item(text: str) -> str:
    """An item of a list, wrapped."""
    return "\n".join(hung(text, paragraph(_WIDTH), first="  - ", then="    ", whole=True))


def closing(folder: Path) -> str:
    """Where the log lies and what to do with it."""
    log, config = shlex.quote(str(folder)), shlex.quote(str(folder / CONFIG_NAME))
    typed = Path(sys.argv[0])  # what the user typed to call us, so that the commands shown can be typed too
    me = shlex.quote(str(typed)) if typed.name == "gatehand" else "python -m gatehand"
    return f"""
The event log is in {log}. Try next:
  {me} log --log {log}
  {me} why carving_router --config {config}
  {me} demo --keep"""


def invitation(port: int, folder: Path) -> str:
    """What one can publish and watch."""
    return f"""
The broker is at 127.0.0.1, port {port} (MQTT 3.1.1, no login).
Publish with any client, for example:
  mosquitto_pub -h 127.0.0.1 -p {port} -t sim/band_saw/switch -m 1

  sim/band_saw/switch            1, 0  a tool on, off: band_saw, jointer,
                                       drum_sander, carving_router
  sim/jointer/amps               2.4   a tool on, drawing so many amps;
  sim/carving_router/watts       120   or so many watts
  shop/gate/sweep/button         1     the button of the bench sweep
  gatehand/gate/sweep/hand       1, 0  a hand start from any screen, its end
  sim/planing/jam                1, 0  a gate jams, is freed: band_saw,
                                       planing, carving_router, sweep
  sim/sweep/move                 1, 0  a gate is opened, shut by hand
  sim/emergency/press            1, 0  emergency stop pressed, pulled out
  gatehand/collector/main/reset  1     ends the hold that it leaves behind
  sim/main/hand                  1, 0  the collector's own switch
  sim/main/weld                  1, 0  its relay welds (while on), or is new
  sim/band_saw/block             1, 0  a hose is blocked, is free; any gate
  sim/main/clog                  1, 0  the filter clogs, is cleaned

Watch gatehand/# (what Gatehand shows) and shop/# (what the devices say):
  mosquitto_sub -h 127.0.0.1 -p {port} -v -t 'gatehand/#'
The config is here; change it, and Gatehand takes the change:
  {shlex.quote(str(folder / CONFIG_NAME))}
Ctrl-C ends the demo.
"""
