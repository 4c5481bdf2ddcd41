"""`gatehand reset`: ends a hold, by the running daemon, once the hold's cause has gone."""

import argparse

from gatehand.commands import add_request, device_name


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Asks the running daemon to end a collector's hold, and prints the daemon's answer. It is refused while a "
        "stop contact is active, and when another reset came less than 2 s before. A reset starts nothing: the next "
        "fresh start counts. Find out what happened first. Exits 1 when it was refused or no daemon answers."
    )
    parser.add_argument(
        "collector", nargs="?", type=device_name, metavar="COLLECTOR", help="may be left out when there is only one"
    )
    add_request(parser)


def run(args: argparse.Namespace) -> int:
    """Ask, wait, print. 1: refused, or no answer."""
    from gatehand.asking import run

    return run(args, "reset")
