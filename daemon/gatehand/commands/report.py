"""`gatehand report`: what the shop did in a time, from the event log. Reads; needs no daemon and no broker."""

import argparse
import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gatehand.commands._configured import load_or_explain
from gatehand.commands._progress import Progress

if TYPE_CHECKING:
    from gatehand.report.summary import Summary

_WRONG_USAGE = 2
_SHOWN_SKIPPED = 3


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Hours and cuts of each tool, starts and hours of each collector, energy where currents are recorded, starts "
        "that did not happen and why, gate movements, alarms, and what upkeep is due. Exits 1 when the log has nothing "
        "in that time."
    )
    parser.add_argument("--from", dest="since", metavar="TIME", help="from this time on; else from the log's beginning")
    parser.add_argument("--to", dest="until", metavar="TIME", help="up to this time")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write it as one page with charts")
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Count and show."""
    found = load_or_explain(args.config)
    if found is None:
        return 1
    config, loaded = found
    from gatehand.journal.when import WhenError, when
    from gatehand.report.gather import Window, gather

    now = datetime.now().astimezone()
    try:
        since, until = (None if text is None else when(text, now) for text in (args.since, args.until))
    except WhenError as error:
        print(f"gatehand report: {error}", file=sys.stderr)
        return _WRONG_USAGE
    folder = loaded.file(config.log.folder)
    with Progress("events") as progress:
        summary, skipped = gather(config, folder, Window(since, until), progress.count)
    for text in skipped[:_SHOWN_SKIPPED]:
        print(text, file=sys.stderr)
    if len(skipped) > _SHOWN_SKIPPED:
        print(f"... and {len(skipped) - _SHOWN_SKIPPED} more lines skipped", file=sys.stderr)
    if not summary.account.events:
        print(f"{folder}: no events in that time", file=sys.stderr)
        return 1
    if args.html is not None:
        return _write(args.html, summary)
    if args.json:
        print(json.dumps(summary.as_json(), indent=2))
        return 0
    from gatehand.report.say import text as lines

    for line in lines(summary):
        print(line)
    return 0


def _write(path: Path, summary: "Summary") -> int:
    from gatehand.report.page import page

    try:
        path.write_text(page(summary), encoding="utf-8")
    except OSError as error:
        print(f"{path}: cannot be written ({error.strerror or error}): name another place", file=sys.stderr)
        return 1
    print(f"{path}: written")
    return 0
