"""`gatehand report`: what the shop did in a time, from the event log. Reads; needs no daemon and no broker."""

import argparse
from pathlib import Path

from gatehand.commands import CommandError, add_span, configured, print_json, progress, show_skipped, write
from gatehand.terminal import show


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Hours and cuts of each tool, starts and hours of each collector, energy (measured where a meter gives "
        "watts, estimated from currents), starts that did not happen and why, gate movements, alarms, and what "
        "upkeep is due. Exits 1 when the log has nothing in that time."
    )
    add_span(parser, since="from this time on; else from the log's beginning", until="up to this time")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write it as a page with charts")
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Count and show."""
    config, loaded, _ = configured(args.config)
    from gatehand.report.summary import gather

    folder = loaded.file(config.log.folder)
    with progress("events") as count:
        summary, skipped = gather(config, folder, args.since, args.until, count)
    show_skipped(skipped)
    if not summary.account.events:
        raise CommandError(f"{folder}: no events in that time{_what_there_is(folder)}")
    if args.html is not None:
        from gatehand.report.html_page import page

        write(args.html, page(summary))
        print(f"{args.html}: written")
    elif args.json:
        print_json(summary.as_json())
    else:
        from gatehand.report.plain_text import text

        show(text(summary))
    return 0


def _what_there_is(folder: Path) -> str:
    """From when to when the log goes; empty where there is none."""
    from gatehand.journal.reader import EventReader
    from gatehand.times import local_text, stamp_ms

    first, last = next(EventReader(folder).lines(), None), next(EventReader(folder).backwards(), None)
    if first is None or last is None:
        return ""
    begin, end = (local_text(stamp_ms(str(one["ts"])))[:16] for one in (first, last))
    return f"; the log has {begin} to {end}"
