"""`gatehand hold`: keeps a collector off, by the running daemon, until somebody resets it."""

import argparse

from gatehand.commands import add_request, device_name


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Asks the running daemon to switch a collector off and to keep it off until somebody resets it, and prints its "
        "answer. The hold outlives a restart and a power cut. It is no lockout: lock the machine out before you reach "
        "into it. Exits 1 when no daemon answers: then nothing is held."
    )
    parser.add_argument(
        "collector", nargs="?", type=device_name, metavar="COLLECTOR", help="may be left out where there is one"
    )
    add_request(parser, because=True)


def run(args: argparse.Namespace) -> int:
    """Ask, wait, print. 1: refused, or no answer."""
    from gatehand.asking import run

    return run(args, "hold")
