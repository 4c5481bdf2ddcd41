"""`gatehand completion`: a script that makes the shell complete commands, options and the config's names."""

import argparse
import sys
from typing import Final

_SHELLS: Final = ("bash", "zsh", "fish")


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Prints a script for the shell: completion of commands and options, and of the names of tools, gates and "
        "collectors where one is wanted. Its first lines say how to put it to use."
    )
    parser.add_argument("shell", nargs="?", choices=_SHELLS, metavar="SHELL", help="bash, zsh or fish")
    # What the script itself calls: the names of these kinds of tables, such as tool,gate.
    parser.add_argument("--names", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    if args.names is not None:
        from gatehand.completion.names import names

        print("\n".join(names(args.config, args.names.split(","))))
        return 0
    if args.shell is None:
        print(f"gatehand completion: name the shell: {', '.join(_SHELLS)}", file=sys.stderr)
        return 2
    print(_script(args.shell), end="")
    return 0


def _script(shell: str) -> str:
    from importlib import import_module

    from gatehand.cli import COMMANDS, command_parser
    from gatehand.completion.words import command

    commands = [command(name, what, command_parser(name)[1]) for name, (what, _) in COMMANDS.items()]
    return str(import_module(f"gatehand.completion.{shell}").script(commands))
