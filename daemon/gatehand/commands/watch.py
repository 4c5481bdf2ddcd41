"""`gatehand watch`: the shop live in a terminal, from this machine or another."""

import argparse
import asyncio
import sys

from gatehand.commands import WRONG_USAGE, CommandError, add_broker, where_to_look

_FEWEST_COLUMNS = 40
_FEWEST_ROWS = 8


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Shows the shop live: collector, alarms with what to do, tools with reading and thresholds, gates, and the "
        "last "
        "events. It only listens, and needs only the broker, so it works from another computer. Ctrl-C ends it."
    )
    parser.add_argument("--plain", action="store_true", help="no colour and no bold; NO_COLOR is respected too")
    add_broker(parser)


def run(args: argparse.Namespace) -> int:
    """Show until it is ended."""
    try:
        from gatehand.screen.live import console, show
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "rich":
            raise
        raise CommandError(
            "gatehand watch: the package rich is missing; install it with: pip install 'gatehand[watch]'\n"
            "gatehand status shows the same once, without it."
        ) from error
    terminal = console(plain=args.plain)
    if not sys.stdout.isatty() or terminal.is_dumb_terminal:
        raise CommandError(
            "gatehand watch: needs a terminal; gatehand status shows the same once as plain text", WRONG_USAGE
        )
    columns, rows = terminal.size
    if columns < _FEWEST_COLUMNS or rows < _FEWEST_ROWS:
        wanted = f"wanted at least {_FEWEST_COLUMNS} x {_FEWEST_ROWS}"
        raise CommandError(f"gatehand watch: the terminal is too small, {columns} x {rows}; {wanted}", WRONG_USAGE)
    asyncio.run(show(where_to_look(args, "watch"), terminal))
    return 0
