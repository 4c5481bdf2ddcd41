"""`gatehand help [COMMAND]`: the same as `gatehand COMMAND --help`, for whoever asks in this order."""

import argparse


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = "Says what a command does, with its options and an example; without a name, lists them all."
    parser.add_argument("command", nargs="?", metavar="COMMAND", help="such as check")


def run(args: argparse.Namespace) -> int:
    """Print it."""
    from gatehand.cli import command_parser, known_command, top_parser

    parser = top_parser() if args.command is None else command_parser(known_command(args.command))[1]
    parser.print_help()
    return 0
