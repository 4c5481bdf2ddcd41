"""`gatehand status`: the shop as it is, once; exit 1 when an alarm is active or the daemon is not there."""

import argparse
import asyncio
import shutil
import sys
import time

from gatehand.commands import add_broker, print_json, seconds, where_to_look
from gatehand.terminal import WIDEST, show

_LONGEST_WAIT = 60.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Prints the state of the shop once, from what the daemon publishes at the broker. "
        "Exits 1 when an alarm is active, the daemon is offline, or the broker is not there."
    )
    parser.add_argument("--json", action="store_true", help="for programs")
    wait = seconds(_LONGEST_WAIT, "5")
    parser.add_argument(
        "--wait", type=wait, default=5.0, metavar="SECONDS", help="how long to wait for the broker; default 5"
    )
    add_broker(parser)


def run(args: argparse.Namespace) -> int:
    """Listen, and say it."""
    from gatehand.screen.daemon_status import DaemonStatus, as_json
    from gatehand.screen.lines import text_of
    from gatehand.screen.listen import look
    from gatehand.screen.page import page

    found = where_to_look(args, "status")
    status = DaemonStatus(found.base)
    asyncio.run(look(found, status, args.wait))
    if args.json:
        print_json(as_json(status))
    elif status.lost_because is not None:
        show([f"gatehand status: {status.lost_because}"], sys.stderr)
    else:
        width = min(WIDEST, shutil.get_terminal_size((80, 24)).columns)
        for line in page(status, found.text, time.time(), width=width):
            print(text_of(line))
    return 0 if status.is_well else 1
