"""`gatehand reload`: the running daemon reads its config again; waits for what comes of it, and says it.

The daemon's word counts, not a look at the file from here: it may run on another machine.
"""

import argparse
import asyncio
import json
import sys
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from gatehand.mqtt.client import PlainClient
    from gatehand.screen.options import Where

_LONGEST_WAIT: Final = 3600.0
_TIMEOUT: Final = 10.0


class NoAnswerError(Exception):
    """No daemon has answered; the text says why and what to do."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    from gatehand.screen.options import add_options

    parser.description = (
        "Asks the running daemon to read its config again, waits for the outcome and prints it: what has changed, or "
        "what is wrong with it, with file, line and column. A config with errors is not taken; the last good one stays "
        "in force. Nothing is switched by a reload. Exits 1 when the config is not in force or no daemon answers."
    )
    parser.add_argument(
        "--timeout",
        type=_seconds,
        default=_TIMEOUT,
        metavar="SECONDS",
        help=f"the longest to wait for the outcome; default {_TIMEOUT:g}",
    )
    parser.add_argument("--json", action="store_true", help="the same facts for programs")
    add_options(parser)


def run(args: argparse.Namespace) -> int:
    """Ask, wait, print. 1: not in force."""
    from gatehand.mqtt.client import ClientError
    from gatehand.screen.options import NoBrokerNamedError
    from gatehand.small_files import NoSecretError

    try:
        outcome = asyncio.run(_ask(_where(args), args.timeout))
    except (NoAnswerError, NoBrokerNamedError, NoSecretError, ClientError) as error:
        if args.json:
            print(json.dumps({"ok": False, "why": str(error)}))
        else:
            print(f"gatehand reload: {error}", file=sys.stderr)
        return 1
    if args.json:
        print(json.dumps(outcome, indent=2))
    else:
        print("\n".join(told(outcome)))
    return 0 if outcome.get("ok") is True else 1


def told(outcome: dict[str, Any]) -> list[str]:
    """The daemon's outcome in lines, as `gatehand check` words them."""
    from gatehand.text import named
    from gatehand.times import local_stamp

    file = outcome.get("file")
    lines = [
        f"{each['file']}:{each['line']}:{each['column']}: {each['level']}: "
        f"{each['where']}{': ' if each['where'] else ''}{each['message']}"
        for each in outcome.get("problems", [])
    ]
    since = f"since {local_stamp(str(outcome.get('in_force_since')))[:19]}"
    if outcome.get("waits_for"):
        why = "; ".join(outcome["waits_for"])
        return [
            *lines,
            f"{file}: waits: {why}. It is taken by itself when that is over; the one {since} stays in force",
        ]
    if outcome.get("ok") is not True:
        return [*lines, f"{file}: not taken; the last good one, {since}, stays in force"]
    counts = ", ".join(named(int(outcome.get(kind + "s", 0)), kind) for kind in ("tool", "gate", "collector"))
    lines.append(f"{file}: in force {since}; {counts}")
    lines += [f"  {each}" for each in outcome.get("changed", [])]
    lines += [f"  [{each}]: its changes are taken at the daemon's next start" for each in outcome.get("at_restart", [])]
    return lines


async def _ask(where: "Where", within: float) -> dict[str, Any]:
    from gatehand.mqtt.client import plain_client

    last: dict[str, Any] = {}
    try:
        async with asyncio.timeout(within), plain_client(where.settings, _topics(where.base)) as client:
            await _send(client, where)
            async for outcome in _outcomes(client, where):
                last = outcome
                if not outcome.get("waits_for"):
                    return outcome
    except TimeoutError:
        if last:
            return last
        raise NoAnswerError(
            f"no daemon has answered on {where.text} within {within:g} s: is it running, and is this its base?"
        ) from None
    raise NoAnswerError(f"the broker of {where.text} has ended the connection: try again")


async def _send(client: "PlainClient", where: "Where") -> None:
    from gatehand.mqtt.failures import nobody_listens
    from gatehand.mqtt.transport import Kind, Outgoing

    topic = f"{where.base}/reload"
    objection = await client.send(Outgoing(topic, _token(where).encode(), Kind.ACT))
    if objection == nobody_listens(topic):
        raise NoAnswerError(f"no daemon listens on {where.text}: is it running, and is this its base?")
    if objection is not None:
        raise NoAnswerError(objection)


async def _outcomes(client: "PlainClient", where: "Where") -> AsyncIterator[dict[str, Any]]:
    """What the daemon says of our asking.

    Raises:
        NoAnswerError: it has left a word that it is not there.
    """
    async for heard in client.messages():
        if heard.topic == f"{where.base}/online" and heard.payload == b"0":
            raise NoAnswerError(f"the daemon of {where.text} is off line: start it, it reads its config then")
        if heard.topic == f"{where.base}/config" and not heard.retained:
            try:
                outcome = json.loads(heard.payload)
            except ValueError:
                continue
            if isinstance(outcome, dict) and _token(where) in outcome.get("asked", ()):
                yield outcome


def _token(where: "Where") -> str:
    """What the outcome carries so that it is known for ours: the client's own id."""
    return where.settings.client_id


def _topics(base: str) -> tuple[str, ...]:
    return (f"{base}/config", f"{base}/online")


def _where(args: argparse.Namespace) -> "Where":
    """The broker, also when the config has just been spoilt: it is the daemon that shall say so."""
    from gatehand.screen.options import where

    return where(args, "reload")


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 < seconds <= _LONGEST_WAIT:
        raise argparse.ArgumentTypeError(f"found {text!r}; wanted seconds from 0 to {_LONGEST_WAIT:g}, such as 20")
    return seconds
