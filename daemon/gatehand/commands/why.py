"""`gatehand why`: what happened to a tool, a gate or a collector, by which rule, and what would have changed it."""

import argparse
import re
from datetime import datetime
from itertools import chain
from typing import TYPE_CHECKING, Final

from gatehand.commands import CommandError, configured, device_name, fitted, moment, no_such, print_json
from gatehand.config import Config

if TYPE_CHECKING:
    from collections.abc import Iterable

    from gatehand.why.moment import Asked, SubjectKind

_TO_THE_SECOND: Final = re.compile(r"\d:\d\d:\d\d|now|\d\s*s(ec(ond)?s?)?\b", re.IGNORECASE)
"""In a time as it is asked: it is meant to the second."""

_CLOCK_ALONE: Final = re.compile(r"\d{1,2}:[\d:.]+")
"""A time of day without its day, which is today's: past midnight the evening's is meant, as often as not."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Tells why something did or did not start: what was seen, what was compared, which rule spoke, and what "
        "setting would have changed it, found by replaying the recording. Then it shows the log lines that decided the "
        "answer. Without arguments: the last thing that should have happened and did not. Exits 1 when something that "
        "was wanted did not happen."
    )
    parser.add_argument(
        "subject",
        nargs="?",
        type=device_name,
        metavar="TOOL|GATE|COLLECTOR",
        help="a name from the config, or tool.NAME",
    )
    when_group = parser.add_mutually_exclusive_group()
    when_group.add_argument(
        "--at",
        metavar="TIME",
        type=_asked,
        help='the moment, such as "14:32" (that minute), "14:32:07" (that second), "yesterday 9:00", RFC 3339',
    )
    when_group.add_argument("--last", action="store_true", help="the last time that it did not happen (the default)")
    parser.add_argument("--all", action="store_true", help="all lines of the log around it")
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Ask and say."""
    config, loaded, shop = configured(args.config)
    from gatehand.why.ask import ask
    from gatehand.why.told import as_json, text

    subject = None if args.subject is None else _subject(args.subject, config)
    folder = loaded.file(config.log.folder)
    if not folder.is_dir():
        raise CommandError(f"{folder}: there is no such folder; has the daemon run with this config?")
    answer = ask(config, shop, folder, subject, args.at)
    if answer is None:
        whom = f" about {subject[1]}" if subject else ""
        print("null" if args.json else f"Nothing{whom} in the log that should have happened and did not.")
        return 0
    if args.json:
        print_json(as_json(answer, everything=args.all))
    else:
        for line in text(answer, everything=args.all):
            print("\n".join(fitted(line) or [""]))
    return 1 if answer.verdict.is_no else 0


def _asked(text: str) -> "Asked":
    """The `type` of `--at`: the moment by the machine's own clock."""
    return asked(text, datetime.now().astimezone())


def asked(text: str, now: datetime) -> "Asked":
    """The moment, and how finely it is meant: a second given is that second, else it is all of the minute.

    Raises:
        ArgumentTypeError: It is not a time, or has not come yet: nothing is known of it, so nothing is told.
    """
    from gatehand.times import local_text, to_ms
    from gatehand.why.moment import MINUTE_MS, SECOND_MS, Asked

    at = moment(text, now)
    if at > now:
        hint = f'; for the day before, write "yesterday {text.strip()}"' if _CLOCK_ALONE.fullmatch(text.strip()) else ""
        raise argparse.ArgumentTypeError(f"{local_text(to_ms(at))[:19]} is still to come{hint}")
    return Asked(at, SECOND_MS if _TO_THE_SECOND.search(text) else MINUTE_MS)


def _subject(name: str, config: Config) -> "tuple[SubjectKind, str]":
    """What a name stands for, a tool before a gate before a collector.

    Raises:
        CommandError: for nothing.
    """
    tables: dict[SubjectKind, Iterable[str]] = {"tool": config.tool, "gate": config.gate, "collector": config.collector}
    prefix, _, rest = name.partition(".")
    for kind, names in tables.items():
        if prefix == kind and rest in names:
            return kind, rest
        if name in names:
            return kind, name
    raise no_such("gatehand why: there is no tool, gate or collector", name, dict.fromkeys(chain(*tables.values())))
