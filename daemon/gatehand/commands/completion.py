"""`gatehand completion`: a script that makes the shell complete commands, options and the config's names."""

import argparse
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from gatehand.commands import WRONG_USAGE, CommandError

_SHELLS: Final = ("bash", "zsh", "fish")


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Prints a script for the shell that completes commands, options, and the names of tools, gates and "
        "collectors. Its first lines say how to use it."
    )
    parser.add_argument("shell", nargs="?", choices=_SHELLS, metavar="SHELL", help="bash, zsh or fish")
    # What the script itself calls: the names of these kinds of tables, such as tool,gate.
    parser.add_argument("--names", help=argparse.SUPPRESS)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    if args.names is not None:
        print("\n".join(_names(args.config, args.names.split(","))))
        return 0
    if args.shell is None:
        raise CommandError(f"gatehand completion: name the shell: {', '.join(_SHELLS)}", WRONG_USAGE)
    from gatehand.cli import COMMANDS, command_parser
    from gatehand.completion_scripts import SHELLS, command

    commands = [command(name, what, command_parser(name)[1]) for name, (what, _) in COMMANDS.items()]
    print("".join(SHELLS[args.shell](commands)), end="")
    return 0


def _names(config: Path, kinds: Iterable[str]) -> list[str]:
    """The names of these kinds of tables, in the config's order; none where it cannot be read.

    Asked for at each Tab: at once, without the config's models, and without a word about what is wrong with the rest.
    """
    import tomllib

    from gatehand.small_files import UnreadableError, read_bytes
    from gatehand.text import NAME

    try:
        found = tomllib.loads(read_bytes(config).decode())
    except (UnreadableError, ValueError, RecursionError):
        return []
    tables = (found.get(kind) for kind in kinds)
    every = [name for table in tables if isinstance(table, dict) for name in table if re.fullmatch(NAME, name)]
    return list(dict.fromkeys(every))
