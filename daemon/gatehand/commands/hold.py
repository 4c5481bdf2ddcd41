"""`gatehand hold`: keeps a collector off, by the running daemon, until somebody resets it."""

import argparse

from gatehand.commands import add_request, device_name


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Asks the running daemon to switch a collector off and to keep it off until somebody resets it, and prints "
        "the daemon's answer. The hold survives a restart and a power cut. It is not a lockout: lock the machine "
        "out before you reach into it. Exits 1 when no daemon answers: then do not count on a hold; "
        "look with gatehand status."
    )
    parser.add_argument(
        "collector", nargs="?", type=device_name, metavar="COLLECTOR", help="may be left out when there is only one"
    )
    add_request(parser, because=True)


def run(args: argparse.Namespace) -> int:
    """Ask, wait, print. 1: refused, or no answer."""
    from gatehand.asking import run

    return run(args, "hold")
