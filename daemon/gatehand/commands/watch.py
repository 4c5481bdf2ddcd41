"""`gatehand watch`: the shop live in a terminal, from this machine or another."""

import argparse
import asyncio
import logging
import sys

_FEWEST_COLUMNS = 40
_FEWEST_ROWS = 8


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    from gatehand.screen.options import add_options

    parser.description = (
        "Shows the shop live: collector, alarms with what to do, tools with current and thresholds, gates, the last "
        "events. Only listens, and needs nothing but the broker, so it works from another machine. Ctrl-C ends it."
    )
    parser.add_argument("--plain", action="store_true", help="no colour and no bold; NO_COLOR is respected too")
    add_options(parser)


def run(args: argparse.Namespace) -> int:
    """Show until it is ended."""
    from gatehand.screen.options import NoBrokerNamedError, where
    from gatehand.small_files import NoSecretError

    try:
        from gatehand.screen.live import console, show
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != "rich":
            raise
        print(
            "gatehand watch: the package rich is missing; install it with: pip install 'gatehand[watch]'\n"
            "gatehand status shows the same once and does without it.",
            file=sys.stderr,
        )
        return 1
    terminal = console(plain=args.plain)
    if not sys.stdout.isatty() or terminal.is_dumb_terminal:
        print("gatehand watch: needs a terminal; gatehand status says it once as plain text", file=sys.stderr)
        return 2
    if terminal.size.width < _FEWEST_COLUMNS or terminal.size.height < _FEWEST_ROWS:
        size = f"{terminal.size.width} x {terminal.size.height}"
        wanted = f"{_FEWEST_COLUMNS} x {_FEWEST_ROWS}"
        print(f"gatehand watch: the terminal is too small, {size}; wanted at least {wanted}", file=sys.stderr)
        return 2
    try:
        found = where(args, "watch")
    except (NoBrokerNamedError, NoSecretError) as error:
        print(f"gatehand watch: {error}", file=sys.stderr)
        return 1
    # The screen itself says what is wrong with the connection.
    logging.getLogger("gatehand.mqtt").addHandler(logging.NullHandler())
    asyncio.run(show(found, terminal))
    return 0
