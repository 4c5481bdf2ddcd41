"""`gatehand page` beside the demo: a process of its own, as in a shop, with a code for whoever wants its buttons."""

import asyncio
import os
import re
import socket
import sys
import webbrowser
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Final

_UP_WITHIN: Final = 20.0
_DOWN_WITHIN: Final = 4.0
_ADDRESS: Final = re.compile(r"http://\S+")


class NoPageError(Exception):
    """The page did not come up; the message says why and what to do."""


@asynccontextmanager
async def page_beside(config: Path) -> AsyncIterator[tuple[asyncio.subprocess.Process, str]]:
    """The page's process, and what to tell whoever wants to see it.

    Args:
        config: the demo's; its folder remembers the phones that are paired.

    Raises:
        NoPageError: it does not come up.
    """
    options = ("--config", str(config), "--state", str(config.parent), "--listen", f"127.0.0.1:{_free_port()}")
    page = await _gatehand("page", *options)
    try:
        address = await _address(page)
        told = await _gatehand("page", *options, "--pair")
        code, _ = await told.communicate()
        if told.returncode:
            raise NoPageError(f"no phone can be paired: {code.decode(errors='replace').strip()}")
        if os.environ.keys() & {"DISPLAY", "WAYLAND_DISPLAY"}:  # elsewhere a browser in the terminal would answer
            await asyncio.to_thread(webbrowser.open, address)
        yield page, f"The shop on a phone: {address}\n{code.decode(errors='replace').strip()}"
    finally:
        await _end(page)


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


async def _gatehand(*words: str) -> asyncio.subprocess.Process:
    """One of our own commands. It is no business of its, when the demo is asked to end."""
    return await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "gatehand", *words),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
        start_new_session=True,
    )


async def _address(page: asyncio.subprocess.Process) -> str:
    """Where it is, once it says so."""
    said = ""
    with suppress(TimeoutError):
        async with asyncio.timeout(_UP_WITHIN):
            while page.stdout is not None and (line := await page.stdout.readline()):
                said += line.decode(errors="replace")
                if found := _ADDRESS.search(said):
                    return found[0]
    raise NoPageError(said.strip() or "the page is not up; try again")


async def _end(page: asyncio.subprocess.Process) -> None:
    for end in (page.terminate, page.kill):
        with suppress(ProcessLookupError):
            end()
        with suppress(TimeoutError):
            async with asyncio.timeout(_DOWN_WITHIN):
                await page.communicate()
                return
