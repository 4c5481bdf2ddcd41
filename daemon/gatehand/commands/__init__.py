"""The commands, one module each: `configure(parser)` adds its options, `run(args)` does it and gives the exit code.

Here stands what several of them share: how a command ends, a progress line, the config in order or what can be read of
it, and options that take times, bounded numbers, a broker. The table of commands stands in `gatehand.cli`.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO

from gatehand.text import did_you_mean
from gatehand.times import NoDurationError, WhenError, when
from gatehand.times import seconds as duration

if TYPE_CHECKING:
    from gatehand.config import Config, Loaded
    from gatehand.screen.listen import Where
    from gatehand_rules import Shop

WRONG_USAGE: Final = 2
INTERRUPTED: Final = 130
"""128 and the number of SIGINT, as shells have it."""
READINGS: Final = "a logger's CSV file with columns t_s,tool and any of amps,watts,running"
HIGHEST_PORT: Final = 65_535
_PORT: Final = 1883
_PORT_TLS: Final = 8883
_SHOW_AFTER: Final = 2.0
_EVERY: Final = 0.2
_WIDTH: Final = 30
_SHOWN_SKIPPED: Final = 3
_ANSWER_WITHIN: Final = 5.0
"""Seconds; the daemon answers within one."""
_LONGEST_WAIT: Final = 600.0


class CommandError(Exception):
    """The command ends here: the text goes to standard error, `code` is its exit code."""

    def __init__(self, text: str, code: int = 1) -> None:
        super().__init__(text)
        self.code = code


def no_such(what: str, name: str, known: Iterable[str], otherwise: str = "") -> CommandError:
    """Wrong usage: a name that is not there. `what`: "gatehand tune: there is no tool"; the rest as `did_you_mean`."""
    return CommandError(f"{what} {name!r}; {did_you_mean(name, known, otherwise)}", WRONG_USAGE)


def device_name(text: str) -> str:
    """The `type` of an argument that names a device or a kind of upkeep: `band saw` is `band_saw`.

    No name in a config has a blank in it.
    """
    return "_".join(text.split())


@contextmanager
def ending(*kinds: type[Exception], by: str = "") -> Iterator[None]:
    """Where one of these errors ends the command. `by` stands before its text.

    Raises:
        CommandError: in their stead.
    """
    try:
        yield
    except kinds as error:
        raise CommandError(f"{by}{error}") from error


def write(path: Path, text: str) -> None:
    """Write a file that was asked for.

    Raises:
        CommandError: it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{path}: cannot be written ({error.strerror or error}): name another place") from error


@contextmanager
def progress(what: str, whole: int = 0, *, to: TextIO | None = None) -> Iterator[Callable[[int], None]]:
    """Gives a function that says how much is done, shown on standard error (with a bar where the whole is known).

    Silent for what takes less than two seconds, and where nobody watches.
    """
    from gatehand.terminal import room

    screen = to or sys.stderr
    watched = (width := room(screen) or 0) > 0
    began = time.monotonic()
    due, shown = began + _SHOW_AFTER, 0

    def count(done: int) -> None:
        nonlocal due, shown
        now = time.monotonic()
        if not watched or now < due:
            return
        due = now + _EVERY
        text = f"{done:,} {what}, {done / (now - began):,.0f} a second"
        if whole:
            share = min(1.0, done / whole)
            text = f"{share:4.0%}  {text}"
            if len(text) + _WIDTH + len("[] ") < width:
                text = f"[{'#' * round(share * _WIDTH):<{_WIDTH}}] {text}"
        text = text[: width - 1]
        print("\r" + text.ljust(shown), end="", file=screen, flush=True)
        shown = len(text)

    try:
        yield count
    finally:
        if shown:
            print("\r" + " " * shown, end="\r", file=screen, flush=True)


def fitted(text: str) -> list[str]:
    """A message over as many lines as it needs on a terminal; in one for a program, which looks for its start."""
    from gatehand import terminal

    width = terminal.room()
    return [text] if width is None else [*terminal.hung(text, min(terminal.READABLE, width), then="    ", whole=True)]


def who() -> str:
    """Who asks the daemon for something, for its log."""
    import getpass

    with suppress(OSError, KeyError, ImportError):
        return getpass.getuser()
    return "the command line"


def answer_in(payload: bytes | None) -> dict[str, Any] | None:
    """The daemon's answer to a request, with its `ok` and its `text`; None: it is not one of a daemon's."""
    try:
        found = json.loads(payload or b"")
    except (ValueError, RecursionError):
        return None
    whole = isinstance(found, dict) and isinstance(found.get("text"), str) and isinstance(found.get("ok"), bool)
    return found if whole else None


def print_json(facts: object) -> None:
    """The same facts for programs."""
    print(json.dumps(facts, indent=2))


def show_skipped(skipped: Sequence[object]) -> None:
    """The first lines of the log that had to be skipped, and how many more there are."""
    if not skipped:
        return
    from gatehand.terminal import show

    beyond = len(skipped) - _SHOWN_SKIPPED
    more = [f"... and {beyond} more lines skipped"] if beyond > 0 else []
    show([*map(str, skipped[:_SHOWN_SKIPPED]), *more], sys.stderr)


def configured(path: Path) -> "tuple[Config, Loaded, Shop]":
    """The config in order. Warnings are `gatehand check`'s business.

    Who reads the log need not be able to write it or to read the daemon's password: files are not looked at here.

    Raises:
        CommandError: it has errors.
    """
    from gatehand.config import load

    loaded = load(path, files=False)
    if loaded.config is None or loaded.shop is None:
        raise CommandError("\n".join(map(str, loaded.errors)))
    return loaded.config, loaded, loaded.shop


def readable(path: Path) -> "tuple[Loaded, Config | None]":
    """The config, or what can be read of one with errors, with a note of that; None: there is no text.

    For commands that only look: the daemon works on with its last good config while this one is being mended.
    """
    from gatehand.config.load import load, salvage

    loaded = load(path, files=False)
    from gatehand.terminal import show

    if loaded.config is not None or not loaded.text:
        show(map(str, loaded.errors), sys.stderr)
        return loaded, loaded.config
    show([f"{path} has errors (gatehand check shows them); using what can be read of it"], sys.stderr)
    return loaded, salvage(loaded.text)


def add_span(
    parser: argparse.ArgumentParser, *, since: str, until: str, flags: tuple[str, str] = ("--from", "--to")
) -> None:
    """The pair of options, as `since` and `until`, each None when not given; its helps."""
    for flag, name, what in zip(flags, ("since", "until"), (since, until), strict=True):
        parser.add_argument(flag, dest=name, metavar="TIME", type=moment, help=what)


def moment(text: str, now: datetime | None = None) -> datetime:
    """The `type` of an option that takes a time; a moment with its zone comes out of it. `now`: the machine's clock."""
    try:
        return when(text, now or datetime.now().astimezone())
    except WhenError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def whole_number(what: str, most: int) -> Callable[[str], int]:
    """The `type` of an option that takes a number from 1 to `most`. `what`: "a port"."""

    def read(text: str) -> int:
        if not text.isascii() or not text.isdigit() or not 0 < int(text) <= most:
            raise argparse.ArgumentTypeError(f"found {text!r}; wanted {what} from 1 to {most}")
        return int(text)

    return read


def seconds(most: float, example: str) -> Callable[[str], float]:
    """The `type` of an option that takes seconds, up to `most`, as a number or as the config takes a duration."""

    def read(text: str) -> float:
        try:
            found = float(text)
        except ValueError:
            found = -1.0
            with suppress(NoDurationError):
                found = duration(text)
        if not 0 < found <= most:
            raise argparse.ArgumentTypeError(f"found {text!r}; wanted seconds from 0 to {most:g}, such as {example}")
        return found

    return read


def add_broker(parser: argparse.ArgumentParser) -> None:
    """The options that name a broker."""
    group = parser.add_argument_group("the broker, if not the config's")
    group.add_argument("--broker", type=broker_address, metavar="HOST[:PORT]", help="use this broker; needs no config")
    group.add_argument("--base", type=_base, metavar="TOPIC", help="the daemon's base topic; default: gatehand")
    group.add_argument("--username", metavar="NAME", help="the login, such as viewer or hands")
    group.add_argument("--password-file", type=Path, metavar="FILE", help="a file with the password in its first line")
    group.add_argument("--tls", action="store_true", help="encrypt; check the broker with the system's certificates")
    group.add_argument("--ca-file", type=Path, metavar="FILE", help="encrypt; check the broker with this certificate")


def add_request(parser: argparse.ArgumentParser, *, because: bool = False) -> None:
    """The options of a command that asks the daemon for something. `because`: it needs a reason."""
    parser.add_argument(
        "--because",
        type=_reason,
        required=because,
        metavar="TEXT",
        help="why, for whoever reads the log or a screen; the daemon keeps 48 characters",
    )
    parser.add_argument("--by", metavar="NAME", help="who asks, for the log; default: your login here")
    parser.add_argument(
        "--timeout",
        type=seconds(_LONGEST_WAIT, "5"),
        default=_ANSWER_WITHIN,
        metavar="SECONDS",
        help=f"how long to wait for the daemon's answer; default {_ANSWER_WITHIN:g}",
    )
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")
    add_broker(parser)


def _reason(text: str) -> str:
    if not text.strip():
        raise argparse.ArgumentTypeError('found no reason; wanted one, such as "filter change"')
    return text.strip()


def where(args: argparse.Namespace, role: str, found: "tuple[Loaded, Config | None] | None" = None) -> "Where":
    """The broker to look at: what the command line names, else what the config says.

    Args:
        args: of a parser with `add_broker`.
        role: names the client at the broker.
        found: what `readable` gave, where it has been asked already.

    Raises:
        CommandError: none is named, and there is no config that could.
        NoSecretError: a password cannot be read.
    """
    from dataclasses import replace

    from gatehand.mqtt.settings import BrokerSettings, TlsFiles, broker_settings, fresh_client_id
    from gatehand.screen.listen import Where
    from gatehand.small_files import read_secret

    if args.broker is None:
        loaded, config = found or readable(args.config)
        if config is None:
            raise CommandError("without a config, name the broker: --broker HOST[:PORT] --base TOPIC")
        base = config.broker.base
        own_login = args.username is None and args.password_file is None
        settings = broker_settings(config, loaded.file, client_id=fresh_client_id(base, role), login=own_login)
    else:
        host, port = args.broker
        tls = TlsFiles(args.ca_file) if args.tls or args.ca_file is not None else None
        base = args.base or "gatehand"
        port = port or (_PORT_TLS if tls else _PORT)
        settings = BrokerSettings(host, port, client_id=fresh_client_id(base, role), tls=tls)
    if args.username is not None:
        settings = replace(settings, username=args.username, password=None)
    if args.password_file is not None:
        settings = replace(settings, password=read_secret(args.password_file))
    return Where(settings, args.base or base)


def where_to_look(
    args: argparse.Namespace, command: str, found: "tuple[Loaded, Config | None] | None" = None
) -> "Where":
    """The same for a screen, which itself says what is wrong with the connection.

    Raises:
        CommandError: no broker is named, or a password cannot be read.
    """
    import logging

    from gatehand.small_files import NoSecretError

    logging.getLogger("gatehand.mqtt").addHandler(logging.NullHandler())
    with ending(CommandError, NoSecretError, by=f"gatehand {command}: "):
        return where(args, command, found)


def broker_address(text: str) -> tuple[str, int | None]:
    """The `type` of an option that takes a broker's host, and maybe its port."""
    host, port = text, ""
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        port = port.removeprefix(":")
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    wanted = "wanted HOST or HOST:PORT, such as shop.local:1883 or [fe80::1]:1883"
    if not host or any(char.isspace() or char == "/" for char in host):
        raise argparse.ArgumentTypeError(f"found {text!r}; {wanted}")
    if port and not (port.isascii() and port.isdigit() and 0 < int(port) <= HIGHEST_PORT):
        raise argparse.ArgumentTypeError(f"found the port {port!r}; {wanted}")
    return host, int(port) if port else None


def _base(text: str) -> str:
    if not text or text.strip("/") != text or any(char in "+#\0" for char in text):
        raise argparse.ArgumentTypeError(f"found {text!r}; wanted a topic such as gatehand, without + and #")
    return text
