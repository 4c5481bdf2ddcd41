"""`gatehand exercise`: walk every gate and every tool with the collector kept off. Exit 1 when something failed."""

import argparse
import asyncio
import sys

from gatehand.commands import configured, ending, no_such, print_json, whole_number

_MOST_ROUNDS = 50


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Commissioning. Keeps the collector off (a running daemon is told to hold), asks for each stop contact to be "
        "pressed, moves each gate open and shut and measures its travel, asks for each tool to be started and looks "
        "which sensor sees it, then asks for each button. Asks before anything moves. Exits 1 when something failed. "
        "Hands out of the gates; this is no lockout."
    )
    parser.add_argument(
        "names",
        nargs="*",
        metavar="NAME",
        help="only these gates, tools, stops and collectors, with their buttons; else all",
    )
    parser.add_argument(
        "--rounds",
        type=whole_number("a number of rounds", _MOST_ROUNDS),
        default=5,
        metavar="N",
        help="times each gate is opened and shut; default 5",
    )
    parser.add_argument("--no-tools", action="store_true", help="leave the tools out")
    parser.add_argument("--no-buttons", action="store_true", help="leave stop contacts and buttons out")
    parser.add_argument("--yes", action="store_true", help="do not ask, for scripts: you have looked")
    parser.add_argument("--json", action="store_true", help="the result for programs; what is asked and said on stderr")


def run(args: argparse.Namespace) -> int:
    """Exercise."""
    from gatehand.exercise import results
    from gatehand.exercise.observed_state import ObservedState, press_words
    from gatehand.exercise.supervisor import BrokenOffError, RefusedError
    from gatehand.exercise.terminal_io import terminal_io
    from gatehand.exercise.walk import Asked, walk
    from gatehand.mqtt.client import ClientError
    from gatehand.mqtt.settings import broker_settings, fresh_client_id
    from gatehand.small_files import NoSecretError

    config, loaded, _ = configured(args.config)
    known = (*config.gate, *config.tool, *config.stop, *config.collector)
    for name in args.names:
        if name not in known:
            raise no_such("gatehand exercise: there is no gate, tool, stop or collector", name, known)
    gates = tuple(name for name in config.gate if name in (args.names or known))
    tools = tuple(name for name in config.tool if name in (args.names or known) and not args.no_tools)
    pressed = () if args.no_buttons else tuple(one for one in config.signals() if press_words(one))
    presses = tuple(one for one in pressed if one.name in (args.names or known))
    asked = Asked(gates, tools, args.rounds, presses, yes=args.yes)
    out = sys.stderr if args.json else sys.stdout

    async def exercise() -> results.Result:
        async with terminal_io(settings, ObservedState(config).topics, out) as world:
            try:
                return await walk(config, world, asked)
            except ClientError as error:
                raise ClientError(f"{error}; look at the gates: one may not stand where it was found") from error

    with ending(RefusedError, BrokenOffError, ClientError, NoSecretError, by="gatehand exercise: "):
        settings = broker_settings(config, loaded.file, client_id=fresh_client_id(config.broker.base, "exercise"))
        result = asyncio.run(exercise())
    if args.json:
        print_json({"config": str(loaded.path), **results.as_json(result, config)})
    else:
        print(f"\n{results.text(result)}")
    return 0 if result.ok else 1
