"""`gatehand exercise`: walk every gate and every tool with the collector kept off. Exit 1 when something failed."""

import argparse
import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from gatehand.commands import (
    WRONG_USAGE,
    CommandError,
    configured,
    device_name,
    ending,
    no_such,
    print_json,
    whole_number,
)
from gatehand.terminal import show

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from gatehand.config import Config, Loaded
    from gatehand.exercise.terminal_io import TerminalIo

T = TypeVar("T")

_MOST_ROUNDS = 50


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Tries the whole shop, for commissioning. Keeps the collector off (a running daemon puts it on hold), asks "
        "for each stop contact to be pressed, opens and shuts each gate and measures its travel, asks for each tool "
        "to be started and checks which sensor sees it, then asks for each button. Asks before anything moves. "
        "Exits 1 when something failed. Keep hands out of the gates; this is not a lockout."
    )
    parser.add_argument(
        "names",
        nargs="*",
        type=device_name,
        metavar="NAME",
        help="only these gates, tools, stops and collectors, with their buttons; else all",
    )
    parser.add_argument(
        "--rounds",
        type=whole_number("a number of rounds", _MOST_ROUNDS),
        default=5,
        metavar="N",
        help="how often each gate is opened and shut; default 5",
    )
    parser.add_argument("--no-tools", action="store_true", help="skip the tools")
    parser.add_argument("--no-buttons", action="store_true", help="skip stop contacts and buttons")
    parser.add_argument("--yes", action="store_true", help="do not ask, for scripts: you have looked yourself")
    parser.add_argument(
        "--limit",
        dest="collector",
        type=device_name,
        metavar="COLLECTOR",
        help=(
            "instead: start this collector's fan with a gate proven open, do not repeat "
            'the "on", and measure when its switch goes off by its own time limit; no daemon may be running'
        ),
    )
    parser.add_argument(
        "--suction",
        nargs="?",
        const="",
        type=device_name,
        metavar="COLLECTOR",
        help=(
            "instead: have the running daemon open each gate alone with the fan running, and keep what the collector's "
            "suction sensor reads as the baseline from then on"
        ),
    )
    parser.add_argument(
        "--open",
        dest="sets",
        action="append",
        default=[],
        metavar="GATES",
        help="with --suction: these gates together too, such as band_saw,sweep; may be given several times",
    )
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="with --limit: the daemon's state folder, for its holds; else $STATE_DIRECTORY, else beside the config",
    )
    parser.add_argument(
        "--json", action="store_true", help="the result as JSON, for programs; the dialogue goes to stderr"
    )


def run(args: argparse.Namespace) -> int:
    """Exercise."""
    if args.sets and args.suction is None:
        raise CommandError("gatehand exercise: --open goes with --suction", WRONG_USAGE)
    if args.suction is not None:
        return _take_suctions(args)
    return _walk(args) if args.collector is None else _measure_limit(args)


def _walk(args: argparse.Namespace) -> int:
    from gatehand.exercise import results
    from gatehand.exercise.observed_state import press_words
    from gatehand.exercise.walk import Asked, walk

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

    result = _in_the_shop(config, loaded, args, lambda world: walk(config, world, asked))
    if args.json:
        print_json({"config": str(loaded.path), **results.as_json(result, config)})
    else:
        show(["", results.text(result)])
    return 0 if result.ok else 1


def _measure_limit(args: argparse.Namespace) -> int:
    from gatehand.exercise import limit_result
    from gatehand.exercise.time_limit import measure
    from gatehand.shell.state_file import recall
    from gatehand.shell.state_folder import is_locked, state_folder

    config, loaded, _ = configured(args.config)
    name = args.collector
    if name not in config.collector:
        raise no_such("gatehand exercise: there is no collector", name, config.collector)
    if args.names:
        raise CommandError("gatehand exercise: --limit tries one switch only: leave out the names", WRONG_USAGE)
    if config.collector[name].refresh == 0:
        raise CommandError(f"gatehand exercise: {limit_result.refused_without_refresh(name)}")
    folder = state_folder(args.state, args.config)
    if is_locked(folder):
        raise CommandError(
            f"gatehand exercise: a daemon is running here ({folder}): stop it for this test, and start it again after"
        )
    notes = recall(folder)
    topic = config.collector[name].command.topic
    holds = (each.why for each in notes.holds if topic == each.command_topic or name == each.collector)
    held = next(holds, notes.unreadable)
    result = _in_the_shop(config, loaded, args, lambda world: measure(config, world, name, yes=args.yes, held=held))
    if args.json:
        print_json({"config": str(loaded.path), **limit_result.as_json(result)})
    else:
        show(["", limit_result.text(result)])
    return 0 if result.ok else 1


def _take_suctions(args: argparse.Namespace) -> int:
    from gatehand.exercise import suction_walk

    config, loaded, _ = configured(args.config)
    if args.names or args.collector is not None:
        text = "--suction takes one collector and all its gates: leave out the names and --limit"
        raise CommandError(f"gatehand exercise: {text}", WRONG_USAGE)
    sensed = [name for name, table in config.collector.items() if table.suction is not None]
    name = args.suction or (sensed[0] if len(sensed) == 1 else "")
    if args.suction and name not in config.collector:
        raise no_such("gatehand exercise: there is no collector", name, config.collector)
    if name not in sensed:
        which = f"name one of {', '.join(sensed)}" if sensed else "the config has no suction in a [collector.NAME]"
        raise CommandError(f"gatehand exercise: --suction: {which}", WRONG_USAGE)
    more = [_gates_of(config, name, text) for text in args.sets]
    sets = suction_walk.sets_of(config, name, more)
    if not sets:
        raise CommandError(f"gatehand exercise: the collector {name} has no gates")
    result = _in_the_shop(
        config,
        loaded,
        args,
        lambda world: suction_walk.take(config, world, name, sets, yes=args.yes),
        suction_walk.topics(config),
    )
    if args.json:
        print_json({"config": str(loaded.path), **suction_walk.as_json(result)})
    else:
        show(["", suction_walk.text(result)])
    return 0 if result.ok else 1


def _gates_of(config: "Config", collector: str, text: str) -> tuple[str, ...]:
    """The gates of one `--open`."""
    own = [name for name in config.gate if config.gate_collector(name) == collector]
    found = tuple(dict.fromkeys(each.strip().replace(" ", "_") for each in text.split(",") if each.strip()))
    for gate in found:
        if gate not in own:
            raise no_such(f"gatehand exercise: the collector {collector} has no gate", gate, own)
    if not found:
        raise CommandError("gatehand exercise: --open wants gates, such as band_saw,sweep", WRONG_USAGE)
    return found


def _in_the_shop(
    config: "Config",
    loaded: "Loaded",
    args: argparse.Namespace,
    does: "Callable[[TerminalIo], Awaitable[T]]",
    more: tuple[str, ...] = (),
) -> "T":
    """What it gives, with a connection and a person."""
    from gatehand.exercise.observed_state import ObservedState
    from gatehand.exercise.supervisor import BrokenOffError, RefusedError
    from gatehand.exercise.terminal_io import terminal_io
    from gatehand.mqtt.client import ClientError
    from gatehand.mqtt.settings import broker_settings, fresh_client_id
    from gatehand.small_files import NoSecretError

    async def there() -> "T":
        async with terminal_io(settings, (*ObservedState(config).topics, *more), out) as world:
            return await does(world)

    out = sys.stderr if args.json else sys.stdout
    with ending(RefusedError, BrokenOffError, ClientError, NoSecretError, by="gatehand exercise: "):
        settings = broker_settings(config, loaded.file, client_id=fresh_client_id(config.broker.base, "exercise"))
        return asyncio.run(there())
