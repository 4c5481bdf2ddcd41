"""`gatehand why`: what happened to a tool, a gate or a collector, by which rule, and what would have changed it."""

import argparse
import json
import sys
from typing import TYPE_CHECKING

from gatehand.commands._configured import load_or_explain
from gatehand.commands._time_options import moment
from gatehand.config import Config

if TYPE_CHECKING:
    from gatehand.why.moment import Kind

_WRONG_USAGE = 2


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Tells why something did or did not start: what was seen, what was compared, which rule spoke, and what "
        "setting would have changed it, found by replaying the recording. Without arguments: the last thing that "
        "should have happened and did not. Exits 1 when something that was wanted did not happen."
    )
    parser.add_argument(
        "subject", nargs="?", metavar="TOOL|GATE|COLLECTOR", help="a name from the config, or tool.NAME"
    )
    when_group = parser.add_mutually_exclusive_group()
    when_group.add_argument(
        "--at", metavar="TIME", type=moment, help='the moment, such as "14:32", "yesterday 9:00", RFC 3339'
    )
    when_group.add_argument("--last", action="store_true", help="the last time that it did not happen (the default)")
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Ask and say."""
    found = load_or_explain(args.config)
    if found is None or found[1].shop is None:
        return 1
    config, loaded = found
    from gatehand.why.ask import as_json, ask, text

    subject = None if args.subject is None else _subject(args.subject, config)
    if isinstance(subject, str):
        print(f"gatehand why: {subject}", file=sys.stderr)
        return _WRONG_USAGE
    folder = loaded.file(config.log.folder)
    if not folder.is_dir():
        print(f"{folder}: there is no such folder; has the daemon run with this config?", file=sys.stderr)
        return 1
    answer = ask(config, found[1].shop, folder, subject, args.at)
    if answer is None:
        whom = f" of {subject[1]}" if subject else ""
        print("null" if args.json else f"The log knows of nothing{whom} that should have happened and did not.")
        return 0
    if args.json:
        print(json.dumps(as_json(answer), indent=2))
    else:
        for line in text(answer):
            print(line)
    return 1 if answer.verdict.is_no else 0


def _subject(name: str, config: Config) -> "tuple[Kind, str] | str":
    """What a name stands for, a tool before a gate before a collector; or what is wrong with it."""
    from gatehand.text import did_you_mean

    tables: tuple[tuple[Kind, tuple[str, ...]], ...] = (
        ("tool", tuple(config.tool)),
        ("gate", tuple(config.gate)),
        ("collector", tuple(config.collector)),
    )
    prefix, _, rest = name.partition(".")
    for kind, names in tables:
        if name in names or (rest in names and prefix == kind):
            return kind, rest if prefix == kind and rest in names else name
    known = [one for _, names in tables for one in names]
    return f"there is no tool, gate or collector {name!r}; {did_you_mean(name, known)}"
