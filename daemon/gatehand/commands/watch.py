"""`gatehand watch`: the shop live in a terminal, from this machine or another."""

import argparse
import asyncio
import logging
import sys

from gatehand.commands import WRONG_USAGE, CommandError, ending
from gatehand.commands._options import NoBrokerNamedError, add_broker, where

_FEWEST_COLUMNS = 40
_FEWEST_ROWS = 8


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Shows the shop live: collector, alarms with what to do, tools with current and thresholds, gates, the last "
        "events. Only listens, and needs nothing but the broker, so it works from another machine. Ctrl-C ends it."
    )
    parser.add_argument("--plain", action="store_true", help="no colour and no bold; NO_COLOR is respected too")
    add_broker(parser)


def run(args: argparse.Namespace) -> int:
    """Show until it is ended."""
    from gatehand.small_files import NoSecretError

    try:
        from gatehand.screen.live import console, show
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "rich":
            raise
        raise CommandError(
            "gatehand watch: the package rich is missing; install it with: pip install 'gatehand[watch]'\n"
            "gatehand status shows the same once and does without it."
        ) from error
    terminal = console(plain=args.plain)
    if not sys.stdout.isatty() or terminal.is_dumb_terminal:
        raise CommandError("gatehand watch: needs a terminal; gatehand status says it once as plain text", WRONG_USAGE)
    if terminal.size.width < _FEWEST_COLUMNS or terminal.size.height < _FEWEST_ROWS:
        size = f"{terminal.size.width} x {terminal.size.height}"
        wanted = f"{_FEWEST_COLUMNS} x {_FEWEST_ROWS}"
        text = f"gatehand watch: the terminal is too small, {size}; wanted at least {wanted}"
        raise CommandError(text, WRONG_USAGE)
    with ending(NoBrokerNamedError, NoSecretError, by="gatehand watch: "):
        found = where(args, "watch")
    # The screen itself says what is wrong with the connection.
    logging.getLogger("gatehand.mqtt").addHandler(logging.NullHandler())
    asyncio.run(show(found, terminal))
    return 0
