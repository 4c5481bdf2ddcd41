"""`gatehand report`: what the shop did in a time, from the event log. Reads; needs no daemon and no broker."""

import argparse
import json
import sys
from pathlib import Path

from gatehand.commands._configured import load_or_explain
from gatehand.commands._output import Progress, show_skipped, write_or_explain
from gatehand.commands._time_options import add_span


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
    show_skipped(skipped)
    if not summary.account.events:
        print(f"{folder}: no events in that time", file=sys.stderr)
        return 1
    if args.html is not None:
        from gatehand.report.html_page import page

        if not write_or_explain(args.html, page(summary)):
            return 1
        print(f"{args.html}: written")
        return 0
    if args.json:
        print(json.dumps(summary.as_json(), indent=2))
        return 0
    from gatehand.report.plain_text import text as lines

    for line in lines(summary):
        print(line)
    return 0
