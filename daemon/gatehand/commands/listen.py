"""`gatehand listen`: what speaks on the broker, and the config's line for each of it. Only listens."""

import argparse
import asyncio
import sys
import time
from typing import TYPE_CHECKING

from gatehand.commands import (
    WRONG_USAGE,
    CommandError,
    add_broker,
    ending,
    print_json,
    progress,
    readable,
    seconds,
    where_to_look,
)
from gatehand.terminal import paragraph, show

if TYPE_CHECKING:
    from gatehand.first_config.boards import Board
    from gatehand.listening.page import Announced
    from gatehand.listening.roles import Known
    from gatehand.listening.watching import Watched
    from gatehand.mqtt.client import ClientError
    from gatehand.mqtt.inbox import Message
    from gatehand.person import EndOfInput, Person
    from gatehand.screen.listen import Where

_LONGEST = 86_400.0
_USUAL = 30.0
_SLACK = 2.0
"""Seconds by which somebody who switches by the clock may be early or late."""
_AFTERWARDS = 25.0
"""Seconds that are listened on after `--off-at`, where `--for` does not say."""

_MOST_BOARDS = 500


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Listens to the broker for a while and shows what it heard: each topic, each value in it with its JSON "
        "pointer, how often it is sent, and the config line for it. Publishes nothing. Works without a config.\n\n"
        "--watch-for asks you to switch one machine on and off, and names the signal that followed, with "
        "thresholds. The machine will run: guards on, nothing in the cut."
    )
    span = seconds(_LONGEST, "30s")
    parser.add_argument(
        "--for", dest="span", type=span, metavar="TIME", help=f"how long to listen; default {_USUAL:g} s"
    )
    parser.add_argument(
        "--topic",
        action="append",
        type=_filter,
        metavar="FILTER",
        help="listen only to these, such as 'shop/#'; default all",
    )
    parser.add_argument("--all", action="store_true", help="show every topic and value, not only the likeliest")
    parser.add_argument(
        "--watch-for", metavar="NAME", type=_name, help='the machine to be switched, such as "band saw"'
    )
    script = parser.add_argument_group("with --watch-for, when nobody is there to press Enter")
    script.add_argument(
        "--on-at", type=span, metavar="TIME", help="the machine is switched on this long after the start"
    )
    script.add_argument("--off-at", type=span, metavar="TIME", help="and switched off this long after the start")
    parser.add_argument(
        "--json", action="store_true", help="the same facts as JSON, for programs; questions go to stderr"
    )
    add_broker(parser)


def run(args: argparse.Namespace) -> int:
    """Listen, and show it."""
    from gatehand.listening.facts import as_json
    from gatehand.listening.page import Heard, text
    from gatehand.listening.roles import known
    from gatehand.listening.watched_page import watched_text
    from gatehand.mqtt.client import ClientError

    _check(args)
    # Without a broker's name the config has to be there; with one it says what of it is used already.
    found = readable(args.config) if args.broker is None or args.config.exists() else None
    config = None if found is None else found[1]
    where = where_to_look(args, "listen", found)
    ears, uses = _Ears(), known(config, where.base)
    with ending(ClientError, by="gatehand listen: "):
        watched = asyncio.run(_listen(args, where, ears, uses))
    at = f"{where.settings.host}:{where.settings.port}"
    file = None if config is None else str(args.config)
    heard = Heard(ears.listening, uses, at, ears.lasted, (*ears.losses,), file, _announced(ears, uses))
    if args.json:
        print_json(as_json(heard, watched, ears.began))
    else:
        width = paragraph(80)
        parts = [] if watched is None else [watched_text(watched, uses, width)]
        if watched is None or args.all or not watched.clear:
            parts.append(text(heard, width, whole=args.all))
        print("\n\n".join("\n".join(part) for part in parts))  # its lines for the config are whole, to be copied
    if not ears.listening.messages:
        show([_nothing(args, where)], sys.stderr)
    return 0 if ears.listening.messages and (watched is None or watched.clear) else 1


def _check(args: argparse.Namespace) -> None:
    """What of the options does not go together."""
    timed = args.on_at is not None or args.off_at is not None
    if timed and args.watch_for is None:
        raise CommandError("gatehand listen: --on-at and --off-at need --watch-for NAME too", WRONG_USAGE)
    if timed and (args.on_at is None or args.off_at is None or args.on_at >= args.off_at):
        raise CommandError("gatehand listen: wanted both --on-at and --off-at, off after on", WRONG_USAGE)
    if timed and args.span is not None and args.span <= args.off_at:
        raise CommandError(
            "gatehand listen: --for ends before --off-at; wanted some seconds more than that", WRONG_USAGE
        )


def _nothing(args: argparse.Namespace, where: "Where") -> str:
    login = f"the user {where.settings.username}" if where.settings.username else "a client without a login"
    below = f" below {', '.join(args.topic)}" if args.topic else ""
    return (
        f"gatehand listen: nothing was heard{below}, and nothing is retained there. Are the devices connected to this "
        f"broker? If they are, look at the broker's access list: it may not let {login} read anything, without "
        f"saying so"
    )


def _announced(ears: "_Ears", uses: "Known") -> "tuple[Announced, ...]":
    """Boards of our own, by role and name, with their lines for the config, unless it has all of them."""
    from gatehand.first_config.draft import board_lines
    from gatehand.listening.page import Announced

    found = sorted(ears.boards.items(), key=lambda one: (one[1].role, one[1].name, one[0]))
    return tuple(
        Announced(
            topic, one.role, one.name, one.label, () if all(map(uses.uses_topic, one.own)) else (*board_lines(one),)
        )
        for topic, one in found
    )


class _Ears:
    """What is heard goes into `listening`. A first connection that fails ends it, a later one is waited for."""

    def __init__(self) -> None:
        from gatehand.listening.observed import Listening

        self.listening: Listening = Listening()
        self.boards: dict[str, Board] = {}
        """By the topic on which each speaks of itself."""
        self.up = asyncio.Event()
        self.began = self._ended = time.monotonic()
        self.losses: list[str] = []
        self._is_lost = False

    @property
    def lasted(self) -> float:
        """Seconds."""
        return self._ended - self.began

    def end(self) -> None:
        """It is over."""
        self._ended = time.monotonic()

    def connected(self) -> None:
        """It begins, or goes on."""
        if not self.up.is_set():
            self.began = time.monotonic()
            self.up.set()
        else:
            print("connected again", file=sys.stderr)
        self._is_lost = False

    def hear(self, message: "Message") -> None:
        """A message."""
        from gatehand.first_config.boards import LAST, board

        self.listening.take(message.topic, message.payload, message.retained, message.received)
        if message.topic.endswith(LAST):
            if (found := board(message.topic, message.payload)) is not None and len(self.boards) < _MOST_BOARDS:
                self.boards[message.topic] = found
            elif not message.payload:
                self.boards.pop(message.topic, None)  # it was taken away

    def lost(self, error: "ClientError") -> None:
        """Only what may pass is waited for."""
        if not self.up.is_set() or error.refused:
            raise error
        self.listening.pause()
        if not self._is_lost:
            self._is_lost = True
            self.losses.append(str(error))
            show([f"{error}; trying again"], sys.stderr)


async def _listen(args: argparse.Namespace, where: "Where", ears: _Ears, uses: "Known") -> "Watched | None":
    """Until the time is over, the machine was watched, or somebody has heard enough (Ctrl-C).

    Raises:
        ClientError: the broker cannot be reached, or does not let us listen.
    """
    from gatehand.mqtt.hearing import keep_hearing
    from gatehand.person import Person

    person: Person[None] = Person(sys.stderr if args.json else sys.stdout)
    with person.attentive(lines=args.watch_for is not None and args.on_at is None):
        hearing = asyncio.ensure_future(keep_hearing(where.settings, args.topic or ["#"], ears))
        course = asyncio.ensure_future(_course(args, ears, uses, person))
        try:
            await asyncio.wait({course, hearing}, return_when=asyncio.FIRST_COMPLETED)
            if hearing.done():
                hearing.result()  # it ends by an error only
            return course.result()
        finally:
            ears.end()
            for task in (course, hearing):
                task.cancel()
            await asyncio.wait({course, hearing})


async def _course(args: argparse.Namespace, ears: _Ears, uses: "Known", person: "Person[None]") -> "Watched | None":
    from gatehand.listening.cycles import Switched
    from gatehand.listening.watched import followers
    from gatehand.listening.watching import Watched, watch_for, with_besides
    from gatehand.person import EndOfInput

    name = args.watch_for
    ended = await _connected(person, ears)
    if name is not None and args.on_at is None:
        asked = None if ended is not None else await watch_for(person, ears.listening, name, uses.leave_out)
        watched = asked or Watched(name, (), (), ended)
        if watched.ended is EndOfInput.NOBODY_THERE:
            raise CommandError(
                "gatehand listen: --watch-for asks you to switch the machine, and nobody can answer here: run it in a "
                "terminal, or say with --on-at and --off-at when it is switched",
                WRONG_USAGE,
            )
        return watched
    usual = _USUAL if args.off_at is None else args.off_at + _AFTERWARDS
    ended = ended or await _pass(person, ears, ears.began + (args.span or usual))
    if name is None:
        return None
    on, off = ears.began + args.on_at, ears.began + args.off_at
    if person.now() <= off + _SLACK:
        return Watched(name, (), (), ended)
    done = Switched(on - _SLACK, on + _SLACK, off - _SLACK, off + _SLACK)
    now = person.now()
    found = Watched(name, (done,), (*followers(ears.listening, [done], now, uses.leave_out),), ended)
    return with_besides(found, ears.listening, ears.began, now, uses.leave_out)


async def _connected(person: "Person[None]", ears: _Ears) -> "EndOfInput | None":
    """Wait for the connection; None: it is there. Else why it is not waited for any longer."""
    from gatehand.person import EndOfInput

    up, typed = asyncio.ensure_future(ears.up.wait()), asyncio.ensure_future(person.next(float("inf")))
    await asyncio.wait({up, typed}, return_when=asyncio.FIRST_COMPLETED)
    up.cancel()
    if not typed.cancel() and isinstance(found := typed.result(), EndOfInput):
        return found
    await ears.up.wait()
    return None


async def _pass(person: "Person[None]", ears: _Ears, until: float) -> "EndOfInput | None":
    """Let the time pass, and show how much was heard; Ctrl-C ends it."""
    from gatehand.person import EndOfInput

    with progress("messages heard") as count:
        while person.now() < until:
            if isinstance(typed := await person.next(min(until, person.now() + 1.0)), EndOfInput):
                return typed
            count(ears.listening.messages)
    return None


def _name(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise argparse.ArgumentTypeError(f'found {text!r}; wanted a name such as "band saw"')
    return text.strip()


def _filter(text: str) -> str:
    """A topic filter (MQTT 5.0 section 4.7.1)."""
    levels = text.split("/")
    lone = all(level in {"+", "#"} or not set(level) & {"+", "#"} for level in levels)
    if not text or "\0" in text or text.startswith("$") or not lone or "#" in levels[:-1]:
        raise argparse.ArgumentTypeError(f"found {text!r}; wanted a topic filter such as 'shop/#' or 'shop/+/state'")
    return text
