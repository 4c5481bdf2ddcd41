"""`gatehand reload`: the running daemon reads its config again; waits for what comes of it, and says it.

The daemon's word counts, not a look at the file from here: it may run on another machine.
"""

import argparse
import asyncio
import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from gatehand.commands import CommandError, add_broker, ending, print_json, seconds, where
from gatehand.terminal import show

if TYPE_CHECKING:
    from gatehand.mqtt.client import PlainClient
    from gatehand.screen.listen import Where

_LONGEST_WAIT: Final = 3600.0
_TIMEOUT: Final = 10.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Asks the running daemon to read its config again, waits for the outcome and prints it: what has changed, "
        "or what is wrong, with file, line and column. A config with errors is not taken; the last good one stays "
        "in force. A reload switches nothing. Exits 1 when the config is not in force or no daemon answers."
    )
    parser.add_argument(
        "--timeout",
        type=seconds(_LONGEST_WAIT, "20"),
        default=_TIMEOUT,
        metavar="SECONDS",
        help=f"how long to wait for the outcome; default {_TIMEOUT:g}",
    )
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")
    add_broker(parser)


def run(args: argparse.Namespace) -> int:
    """Ask, wait, print. 1: not in force."""
    from gatehand.mqtt.client import ClientError
    from gatehand.small_files import NoSecretError

    try:
        outcome = asyncio.run(_ask(where(args, "reload"), args.timeout))
    except (CommandError, NoSecretError, ClientError) as error:
        if not args.json:
            raise CommandError(f"gatehand reload: {error}") from error
        print(json.dumps({"ok": False, "why": str(error)}))
        return 1
    if args.json:
        print_json(outcome)
    else:
        show(in_lines(outcome))
    return 0 if outcome.get("ok") is True else 1


def in_lines(outcome: dict[str, Any]) -> Iterator[str]:
    """The daemon's outcome in lines, as `gatehand check` words them."""
    from gatehand.text import named
    from gatehand.times import local_stamp

    file = outcome.get("file")
    for each in outcome.get("problems", []):
        where = f"{each['where']}: " if each["where"] else ""
        yield f"{each['file']}:{each['line']}:{each['column']}: {each['level']}: {where}{each['message']}"
    since = f"since {local_stamp(str(outcome.get('in_force_since')))[:19]}"
    if outcome.get("waits_for"):
        why = "; ".join(outcome["waits_for"])
        yield (
            f"{file}: not taken yet: {why}. It is taken by itself once that is over; the config {since} stays in force"
        )
    elif outcome.get("ok") is not True:
        yield f"{file}: not taken; the last good config, {since}, stays in force"
    else:
        counts = ", ".join(named(int(outcome.get(kind + "s", 0)), kind) for kind in ("tool", "gate", "collector"))
        yield f"{file}: in force {since}; {counts}"
        yield from (f"  {each}" for each in outcome.get("changed", []))
        for each in outcome.get("at_restart", []):
            yield f"  [{each}]: its changes are taken at the daemon's next start"


async def _ask(where: "Where", within: float) -> dict[str, Any]:
    """What the daemon says to our asking; where it waits for something, its last word on that.

    Raises:
        CommandError: no daemon has answered; the text says why and what to do.
    """
    from gatehand.mqtt.client import plain_client

    last: dict[str, Any] = {}
    online, config = f"{where.base}/online", f"{where.base}/config"
    try:
        async with asyncio.timeout(within), plain_client(where.settings, (config, online)) as client:
            await _send(client, where)
            async for heard in client.messages():
                if heard.topic == online and heard.payload == b"0":
                    raise CommandError(f"the daemon of {where.text} is offline: start it, it reads its config then")
                if heard.topic == config and not heard.retained:
                    last = _answer(heard.payload, where.settings.client_id) or last
                if last and not last.get("waits_for"):
                    return last
    except TimeoutError:
        if last:
            return last
        raise CommandError(
            f"no daemon answered on {where.text} within {within:g} s: is it running, and is this its base?"
        ) from None
    raise CommandError(f"the broker of {where.text} has ended the connection: try again")


async def _send(client: "PlainClient", where: "Where") -> None:
    from gatehand.asking import UnansweredError, nobody_there, send
    from gatehand.mqtt.transport import MessageKind, Outgoing

    with ending(UnansweredError):
        if not await send(
            client, where, Outgoing(f"{where.base}/reload", where.settings.client_id.encode(), MessageKind.ACT)
        ):
            raise nobody_there(where)


def _answer(payload: bytes, client_id: str) -> dict[str, Any] | None:
    """The outcome in a message of the daemon's; None where it is no answer to us: the client's own id tells."""
    try:
        outcome = json.loads(payload)
    except ValueError:
        return None
    return outcome if isinstance(outcome, dict) and client_id in outcome.get("asked", ()) else None
