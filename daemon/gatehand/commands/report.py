"""`gatehand report`: what the shop did in a time, from the event log. Reads; needs no daemon and no broker."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from gatehand.commands._configured import load_or_explain
from gatehand.commands._progress import Progress
from gatehand.commands._time_options import add_span

if TYPE_CHECKING:
    from gatehand.report.summary import Summary

_SHOWN_SKIPPED = 3


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Hours and cuts of each tool, starts and hours of each collector, energy where currents are recorded, starts "
        "that did not happen and why, gate movements, alarms, and what upkeep is due. Exits 1 when the log has nothing "
        "in that time."
    )
    add_span(parser, since="from this time on; else from the log's beginning", until="up to this time")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write it as one page with charts")
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Count and show."""
    found = load_or_explain(args.config)
    if found is None:
        return 1
    config, loaded = found
    from gatehand.report.summary import Window, gather

    folder = loaded.file(config.log.folder)
    with Progress("events") as progress:
        summary, skipped = gather(config, folder, Window(args.since, args.until), progress.count)
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
    from gatehand.report.plain_text import text as lines

    for line in lines(summary):
        print(line)
    return 0


def _write(path: Path, summary: "Summary") -> int:
    from gatehand.report.html_page import page

    try:
        path.write_text(page(summary), encoding="utf-8")
    except OSError as error:
        print(f"{path}: cannot be written ({error.strerror or error}): name another place", file=sys.stderr)
        return 1
    print(f"{path}: written")
    return 0
