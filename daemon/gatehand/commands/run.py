"""`gatehand run`: the daemon. Signals, exit codes and the way in; the work is `gatehand.shell`'s.

Exit codes: 0 after a clean stop, 78 for a config (or what it names) that must be corrected, 1 for a mistake of ours
or where another daemon runs the shop.
"""

import argparse
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Final

from gatehand.hidden_imports import hidden

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Mapping

    from gatehand.config import Loaded
    from gatehand.shell.daemon import Daemon
    from gatehand_rules.findings import Fact

BAD_CONFIG: Final = 78
"""EX_CONFIG of sysexits: a service manager shall not try again before somebody has mended it."""

ANOTHER_RUNS: Final = 1

_SHED_AFTER: Final = 1.0
"""Seconds: when the shop has been taken up, and before the first cut."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Runs the shop until it is stopped (SIGTERM or Ctrl-C: collectors off, gates left as they are). Takes a "
        "changed config when the file is saved, or at SIGHUP. Exits 78 when the config has errors or lacks a "
        "collector that is on hold, 1 when another daemon already runs the shop. Gatehand is not a safety device "
        "and not an emergency stop."
    )
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="where holds are remembered (state.json); else $STATE_DIRECTORY, else beside the config",
    )
    parser.add_argument(
        "--verbosity",
        choices=("debug", "info", "warning", "error"),
        default="info",
        help="how much to write to standard error; the event log has what happens in the shop",
    )


def run(args: argparse.Namespace) -> int:
    """Run the daemon until it is stopped."""
    # First of all: a SIGHUP before its handler stands would end the process, and count as a clean end.
    signals = _Signals()
    # No plugin of somebody else's belongs in a daemon that switches motors, and looking for one costs a start 9 ms.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")
    # What unpacks archives (pydantic looks for plugins by way of it) would bring two libraries along for good.
    with hidden("bz2", "lzma"):
        from gatehand.config import load

        loaded = load(args.config)
    for problem in loaded.problems:
        print(problem, file=sys.stderr)
    if loaded.config is None:
        print(f"{loaded.path}: not started: the config has errors; gatehand check shows them too", file=sys.stderr)
        return BAD_CONFIG
    from gatehand.shell.state_file import recall
    from gatehand.shell.state_folder import AlreadyRunningError, gone, mark_yielded, state_folder, take_lock

    folder = state_folder(args.state, args.config)
    try:
        trouble = take_lock(folder)
    except AlreadyRunningError as error:
        print(f"gatehand run: {error}; this one does nothing", file=sys.stderr)
        return ANOTHER_RUNS
    mark_yielded(folder, None)
    if trouble is not None:
        print(f"gatehand run: {trouble}; a second daemon would not be noticed", file=sys.stderr)
    log = loaded.file(loaded.config.log.folder)
    objections = gone(recall(folder), loaded.config)
    if folder.resolve() == log.resolve():  # old files are removed there to make room
        objections = (f"the state must not be in the log's folder {log}: change [log] folder or --state",)
    for text in objections:
        print(f"{loaded.path}: not started: {text}", file=sys.stderr)
    return BAD_CONFIG if objections else _serve(loaded, signals, args.verbosity, folder)


def _serve(loaded: "Loaded", signals: "_Signals", verbosity: str, folder: Path) -> int:
    import asyncio

    from gatehand import own_version
    from gatehand.journal.files import LogFolderError
    from gatehand.shell.daemon import Daemon
    from gatehand.shell.service import one_arena, set_up, shed
    from gatehand.shell.state_folder import mark_yielded
    from gatehand.small_files import NoSecretError

    logger = set_up(verbosity)

    def diagnose(level: str, text: str, facts: "Mapping[str, Fact] | None" = None) -> None:
        getattr(logger, level)(text, **(facts or {}))

    daemon = Daemon(loaded, diagnose, state=folder)

    async def serve() -> None:
        signals.hand_over(asyncio.get_running_loop(), daemon)
        asyncio.get_running_loop().call_later(_SHED_AFTER, shed)
        await daemon.run()

    one_arena()
    diagnose("info", f"Gatehand {own_version()} is running with {loaded.path}")
    try:
        asyncio.run(serve())
    except (LogFolderError, NoSecretError) as error:
        print(error, file=sys.stderr)
        return BAD_CONFIG
    diagnose("info", "stopped")
    if daemon.yields_to is not None:
        mark_yielded(folder, daemon.yields_to.host)
        return ANOTHER_RUNS
    return 0


class _Signals:
    """Signals from the very start: noted until the daemon is there, then handed to it."""

    def __init__(self) -> None:
        self._early: list[int] = []
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._note)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self._early.append(number)

    def hand_over(self, loop: "asyncio.AbstractEventLoop", daemon: "Daemon") -> None:
        """From here on the loop handles them; what came before is made up for."""
        loop.add_signal_handler(signal.SIGTERM, daemon.stop, "SIGTERM")
        loop.add_signal_handler(signal.SIGINT, daemon.stop, "SIGINT")
        loop.add_signal_handler(signal.SIGHUP, daemon.ask_reload)
        for number in self._early:
            if number == signal.SIGHUP:
                daemon.ask_reload()
            else:
                daemon.stop(signal.Signals(number).name)
