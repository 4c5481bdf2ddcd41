"""`gatehand hand`: a hand start at a gate, by the running daemon, or its end: what the gate's button does."""

import argparse

from gatehand.commands import add_request, device_name


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Asks the running daemon for air at a gate with no tool running, and prints the daemon's answer. The gate "
        "opens, the fan starts once the gate is proven open, and both end after the gate's hand_limit. First make "
        "sure that nobody has a hand in the gate or the fan. Exits 1 when it was refused or no daemon answers."
    )
    parser.add_argument("gate", type=device_name, metavar="GATE", help="the gate that needs air")
    parser.add_argument("--off", action="store_true", help="end the hand start")
    add_request(parser)


def run(args: argparse.Namespace) -> int:
    """Ask, wait, print. 1: refused, or no answer."""
    from gatehand.asking import run

    return run(args, "hand", "0" if args.off else "1")
