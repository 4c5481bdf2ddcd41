"""`gatehand exercise`: walk every gate and every tool with the collector kept off. Exit 1 when something failed."""

import argparse
import asyncio
import json
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import TextIO

    from gatehand.config import Config, Loaded
    from gatehand.exercise.findings import Result
    from gatehand.exercise.walk import Asked
    from gatehand.mqtt.settings import BrokerSettings

_MOST_ROUNDS = 50


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Commissioning. Keeps the collector off (a running daemon is told to hold), then moves each gate open and "
        "shut and measures its travel, then asks for each tool to be started and looks which sensor sees it. Asks "
        "before anything moves. Exits 1 when something failed. Hands out of the gates; this is no lockout."
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these gates and tools; else all")
    parser.add_argument(
        "--rounds", type=_rounds, default=5, metavar="N", help="times each gate is opened and shut; default 5"
    )
    parser.add_argument("--no-tools", action="store_true", help="the gates only")
    parser.add_argument("--yes", action="store_true", help="do not ask before gates move: you have looked")
    parser.add_argument("--json", action="store_true", help="the result for programs; what is asked and told on stderr")


def run(args: argparse.Namespace) -> int:
    """Exercise."""
    from gatehand.commands._configured import load_or_explain
    from gatehand.exercise.walk import Asked
    from gatehand.mqtt.settings import broker_settings, fresh_client_id
    from gatehand.small_files import NoSecretError

    found = load_or_explain(args.config)
    if found is None:
        return 1
    config, loaded = found
    unknown = [name for name in args.names if name not in config.gate and name not in config.tool]
    if unknown:
        print(f"gatehand exercise: {_unknown(unknown[0], config)}", file=sys.stderr)
        return 2
    try:
        settings = broker_settings(config, loaded.file, client_id=fresh_client_id(config.broker.base, "exercise"))
    except NoSecretError as error:
        print(f"gatehand exercise: {error}", file=sys.stderr)
        return 1
    asked = Asked(
        gates=tuple(name for name in config.gate if not args.names or name in args.names),
        tools=() if args.no_tools else tuple(name for name in config.tool if not args.names or name in args.names),
        rounds=args.rounds,
        yes=args.yes,
    )
    return _exercise(loaded, config, settings, asked, as_json=args.json)


def _exercise(loaded: "Loaded", config: "Config", settings: "BrokerSettings", asked: "Asked", *, as_json: bool) -> int:
    from gatehand.exercise import report
    from gatehand.exercise.supervisor import BrokenOffError, RefusedError
    from gatehand.mqtt.client import ClientError

    try:
        result = asyncio.run(_walk(config, settings, asked, sys.stderr if as_json else sys.stdout))
    except RefusedError as error:
        print(f"gatehand exercise: refused: {error}. Nothing was moved.", file=sys.stderr)
        return 1
    except BrokenOffError:
        print("gatehand exercise: nothing was moved", file=sys.stderr)
        return 1
    except ClientError as error:
        print(f"gatehand exercise: {error}", file=sys.stderr)
        return 1
    if as_json:
        print(json.dumps({"config": str(loaded.path), **report.as_json(result, config)}, indent=2))
    else:
        print(f"\n{report.text(result, config)}")
    return 0 if result.ok else 1


async def _walk(config: "Config", settings: "BrokerSettings", asked: "Asked", out: "TextIO") -> "Result":
    from gatehand.exercise.observed_state import ObservedState
    from gatehand.exercise.terminal_io import terminal_io
    from gatehand.exercise.walk import walk
    from gatehand.mqtt.client import ClientError

    async with terminal_io(settings, ObservedState(config).topics, out) as world:
        try:
            return await walk(config, world, asked)
        except ClientError as error:
            raise ClientError(f"{error}; look at the gates: one may not stand where it was found") from error


def _rounds(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 0 < int(text) <= _MOST_ROUNDS:
        raise argparse.ArgumentTypeError(f"found {text!r}; wanted a number of rounds from 1 to {_MOST_ROUNDS}")
    return int(text)


def _unknown(name: str, config: "Config") -> str:
    known = [*config.gate, *config.tool]
    from gatehand.text import did_you_mean

    return f"there is no gate and no tool {name!r}; {did_you_mean(name, known)}"
