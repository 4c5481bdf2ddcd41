"""The live screen in a terminal, drawn with rich: redrawn when something is heard, and often enough for a countdown.

The only module that imports rich. What is drawn is `page`'s.
"""

import asyncio
import signal
import time
from contextlib import suppress
from typing import Final

from rich.console import Console
from rich.live import Live
from rich.text import Text

from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.lines import ScreenLine
from gatehand.screen.listen import Where, keep
from gatehand.screen.page import page
from gatehand.terminal import WIDEST

_COUNTDOWN: Final = 0.5
"""Seconds between two drawings when nothing is heard."""
_AT_MOST_EVERY: Final = 0.1
"""Seconds between two drawings however much is heard."""


def console(*, plain: bool) -> Console:
    """The terminal. `plain`: no colour, no bold; NO_COLOR in the environment takes the colours away too."""
    return Console(highlight=False, color_system=None if plain else "auto")


async def show(where: Where, terminal: Console) -> None:
    """Draw until Ctrl-C or SIGTERM."""
    status = DaemonStatus(where.base)
    stop, fresh = asyncio.Event(), asyncio.Event()

    def end() -> None:
        stop.set()
        fresh.set()

    loop = asyncio.get_running_loop()
    # A window of another size is drawn at once.
    for number, answer in {signal.SIGINT: end, signal.SIGTERM: end, signal.SIGWINCH: fresh.set}.items():
        loop.add_signal_handler(number, answer)
    listening = asyncio.ensure_future(keep(where, status, fresh.set))
    try:
        with Live(console=terminal, screen=True, auto_refresh=False) as live:
            while not stop.is_set() and not listening.done():
                fresh.clear()
                size = terminal.size
                lines = page(status, where.text, time.time(), width=min(WIDEST, size.width), height=size.height)
                live.update(as_text(lines), refresh=True)
                await asyncio.sleep(_AT_MOST_EVERY)
                with suppress(TimeoutError):
                    async with asyncio.timeout(_COUNTDOWN):
                        await fresh.wait()
        if listening.done():
            listening.result()  # it ends by an error only
    finally:
        listening.cancel()
        with suppress(asyncio.CancelledError):
            await listening


def as_text(lines: list[ScreenLine]) -> Text:
    """The lines as rich draws them: none is wrapped."""
    return Text("\n", no_wrap=True, overflow="crop", end="").join(Text.assemble(*line) for line in lines)
