"""The command line's door: finds the command, reads its options, and gives its exit code. Does nothing itself.

A new command is one module in `commands/` with `configure(parser)` and `run(args)`, and one line in `COMMANDS`; a
`Parser` of its own where argparse's does not do. Only the chosen command's module is imported.
"""

import argparse
import os
import sys
import textwrap
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Final

from gatehand import own_version
from gatehand.commands import INTERRUPTED, WRONG_USAGE, CommandError, no_such
from gatehand.hidden_imports import hidden

COMMANDS: Final[dict[str, tuple[str, str]]] = {
    # name: (one-line help, one example)
    "listen": ("show what is on the broker, and the config lines for it", 'gatehand listen --watch-for "band saw"'),
    "run": ("run the daemon, which runs the shop", "gatehand run --config shop.toml"),
    "off": ("switch every collector off, without the daemon", "gatehand off --config shop.toml"),
    "reload": ("make the running daemon read its config again", "gatehand reload --timeout 20"),
    "init": ("write a first config, by asking and listening", "gatehand init --output shop.toml"),
    "demo": ("play a day in a simulated shop, with the real daemon", "gatehand demo"),
    "reset": ("end a hold, once its cause is fixed", "gatehand reset main"),
    "hold": ("keep a collector off until somebody resets it", 'gatehand hold main --because "filter change"'),
    "hand": ("start the collector at a gate with no tool, for a sweep", "gatehand hand sweep"),
    "watch": ("watch the shop live in a terminal, from any computer", "gatehand watch --broker shop.local"),
    "notify": ("run a program of yours at each alarm", "gatehand notify --ends --run ./notify-mail.py me@shop.example"),
    "status": ("show the state of the shop once; exit 1 with an alarm", "gatehand status --json"),
    "page": ("show the shop on a phone, with a button for the sweep", "gatehand page --listen 127.0.0.1:8080"),
    "exercise": ("try every gate and tool, one by one", "gatehand exercise --rounds 5"),
    "check": ("check the config for mistakes, and fix what is certain", "gatehand check shop.toml --fix"),
    "access": ("print the broker's access list for this config", "gatehand access > /etc/mosquitto/gatehand.acl"),
    "boards": (
        "write the settings file of each board, from the config",
        "gatehand boards --out boards --broker 192.168.1.10",
    ),
    "replay": (
        "show what this config would do with recorded readings",
        "gatehand replay --readings log.csv --json",
    ),
    "why": ("tell why a tool, gate or collector did or did not start", 'gatehand why band_saw --at "yesterday 14:32"'),
    "tune": ("find thresholds and run-on in what was recorded", "gatehand tune band_saw --plot band_saw.svg"),
    "report": (
        "report hours, cuts, starts, energy, alarms and upkeep",
        "gatehand report --from 2026-03-01 --html march.html",
    ),
    "done": ("note that upkeep was done, and count its hours from zero", "gatehand done filter"),
    "log": ("show the event log in sentences, newest last", "gatehand log --tool band_saw --since yesterday"),
    "airflow": (
        "work out whether every hood gets the air it needs",
        "gatehand airflow --open band_saw,sweep --plot air.svg",
    ),
    "completion": ("complete commands and names in the shell", "gatehand completion bash"),
    "schema": ("print the config's JSON Schema, for editors", "gatehand schema --write gatehand.schema.json"),
    "help": ("show what a command does, its options and an example", "gatehand help check"),
}

WITHOUT_CONFIG: Final = frozenset({"demo", "schema", "help"})
"""Commands that read none."""

PIPE_CLOSED: Final = 141
"""128 and the number of SIGPIPE: the reader, such as `head`, has seen enough."""
CONFIG_VARIABLE: Final = "GATEHAND_CONFIG"
DEFAULT_CONFIG: Final = Path("config.toml")

_CAUTION = (
    "Gatehand is not a safety device: not a lockout, not an emergency stop, not fire protection. "
    "Lock a machine out before you reach into it."
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns its exit code: 0 well, 1 the answer is no, 2 wrong usage."""
    try:
        code = _run(sys.argv[1:] if argv is None else list(argv))
        sys.stdout.flush()
    except SystemExit as stop:  # argparse has spoken
        return stop.code if isinstance(stop.code, int) else WRONG_USAGE
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        # What is still buffered would fail again when Python shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except CommandError as error:
        from gatehand.terminal import show

        show([str(error)], sys.stderr)
        return error.code
    except OSError as error:
        if error.filename is None:
            raise
        from gatehand.terminal import show

        show([f"gatehand: {_untouchable(error)}"], sys.stderr)
        return 1
    return code


def _run(argv: list[str]) -> int:
    before, name, rest = _split(argv)
    with hidden(
        "bz2", "lzma"
    ):  # argparse asks shutil for the terminal's width; that brings two libraries along for good
        top = top_parser()
    common = top.parse_args(before)
    if common.version:
        print(f"gatehand {own_version()}")
        return 0
    if name is None:
        top.print_help(sys.stderr)
        return WRONG_USAGE
    module, parser = command_parser(known_command(name), common.config)
    args = parser.parse_args(rest)
    given = getattr(args, "config", common.config)
    args.config_given = given is not None
    args.config = given or Path(os.environ.get(CONFIG_VARIABLE) or DEFAULT_CONFIG)
    return int(module.run(args))


def known_command(name: str) -> str:
    """The same name.

    Raises:
        CommandError: there is no such command.
    """
    if name not in COMMANDS:
        raise no_such("gatehand: there is no command", name, COMMANDS, f"there are {', '.join(COMMANDS)}")
    return name


def _split(argv: list[str]) -> tuple[list[str], str | None, list[str]]:
    """Options before the command, the command, what follows it."""
    at = 0
    while at < len(argv) and argv[at].startswith("-"):
        at += 2 if argv[at] == "--config" else 1
    return argv[:at], argv[at] if at < len(argv) else None, argv[at + 1 :]


class _Help(argparse.HelpFormatter):
    """Wraps paragraphs to the terminal, and leaves those that have an indented line as they are."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return "\n\n".join(
            part if "\n  " in part else textwrap.fill(" ".join(part.split()), width, initial_indent=indent)
            for part in text.split("\n\n")
        )


def top_parser() -> argparse.ArgumentParser:
    """The options before the command, and the list of commands."""
    width = max(map(len, COMMANDS))
    lines = "\n".join(f"  {name:<{width}}  {what}" for name, (what, _) in COMMANDS.items())
    parser = argparse.ArgumentParser(
        prog="gatehand",
        usage="gatehand COMMAND [options]",
        description="Runs the blast gates and the dust collector of a small shop over MQTT.",
        epilog=f"commands:\n{lines}\n\n'gatehand COMMAND --help' says more and gives an example.\n{_CAUTION}",
        formatter_class=_Help,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="store_true", help="show the version and exit")
    _add_config(parser, None)
    return parser


def command_parser(name: str, config: Path | None = None) -> tuple[ModuleType, argparse.ArgumentParser]:
    """A command's module and its parser, with what `--config` is when it is not given."""
    from gatehand.text import as_sentence

    module = import_module(f"gatehand.commands.{name}")
    what, example = COMMANDS[name]
    kind: type[argparse.ArgumentParser] = getattr(module, "Parser", argparse.ArgumentParser)
    parser = kind(
        prog=f"gatehand {name}",
        description=as_sentence(what),
        epilog=f"example:\n  {example}",
        formatter_class=_Help,
        allow_abbrev=False,
    )
    if name not in WITHOUT_CONFIG:
        _add_config(parser, config)
    module.configure(parser)
    return module, parser


def _add_config(parser: argparse.ArgumentParser, default: Path | None) -> None:
    parser.add_argument(
        "--config",
        type=Path,
        metavar="FILE",
        default=default,
        help=f"the config; else ${CONFIG_VARIABLE}, else {DEFAULT_CONFIG} in this folder",
    )


def _untouchable(error: OSError) -> str:
    """A file that no command could do without, such as a log that is another user's."""
    text = f"{error.filename}: {error.strerror}"
    if isinstance(error, PermissionError):
        text += "; run it as the daemon's user, or add yourself to that user's group and log in again"
    return text
