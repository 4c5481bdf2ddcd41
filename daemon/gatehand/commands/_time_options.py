"""Options that take a time: `--from` and `--to`, `--at`. What comes out of them is a moment with its zone."""

import argparse
from datetime import datetime

from gatehand.times import WhenError, when


def add_span(
    parser: argparse.ArgumentParser, *, since: str, until: str, flags: tuple[str, str] = ("--from", "--to")
) -> None:
    """The pair of options, as `since` and `until`, each None when not given; its helps."""
    for flag, name, what in zip(flags, ("since", "until"), (since, until), strict=True):
        parser.add_argument(flag, dest=name, metavar="TIME", type=moment, help=what)


def moment(text: str) -> datetime:
    """The `type` of an option that takes a time."""
    try:
        return when(text, datetime.now().astimezone())
    except WhenError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
