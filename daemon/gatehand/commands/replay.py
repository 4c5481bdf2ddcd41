"""`gatehand replay`: recorded readings, or a logger's, through this config or another. Changes and commands nothing."""

import argparse
import json
import sys
from pathlib import Path

from gatehand.commands import READINGS, WRONG_USAGE, CommandError, add_span, configured, ending, print_json, progress
from gatehand.terminal import show
from gatehand.times import local_text
from gatehand_rules import Finding, Shop


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Plays the recording through a config and shows, as a table, what would have been different. Where a "
        "command is the same as recorded, the gates and switches report as recorded; otherwise a gate answers after "
        "its usual time and a switch at once. With --readings it plays a CSV file from any logger: columns t_s,tool "
        "and any of amps,watts,running, with one of them filled in each line, that of the tool's sensor (t_s: "
        "rising seconds from any zero; running: 1 or 0). Gates and switches then never fail, the shop is at rest "
        "when the file begins, and after the last reading time runs on until all is at rest again."
    )
    parser.add_argument("--readings", type=Path, metavar="FILE", help=READINGS)
    add_span(parser, since="the recording from this time on", until="the recording up to this time")
    parser.add_argument("--diff", action="store_true", help="event by event: - as recorded, + with this config")
    parser.add_argument(
        "--log", type=Path, metavar="FOLDER", help="the recording's folder; else the config's log folder"
    )
    parser.add_argument("--json", action="store_true", help="as JSON, for programs; with --readings one event a line")


def run(args: argparse.Namespace) -> int:
    """Play a logger's file or the recording."""
    config, loaded, shop = configured(args.config)
    if args.readings is None:
        return _recording(args, args.log or loaded.file(config.log.folder), shop)
    if args.since or args.until or args.diff or args.log:
        text = "gatehand replay: --from, --to, --diff and --log are for the recording, not for --readings"
        raise CommandError(text, WRONG_USAGE)
    return _readings(args, shop)


def _readings(args: argparse.Namespace, shop: Shop) -> int:
    from gatehand.journal.sentences import sentence_of
    from gatehand.past.csv_readings import CsvError
    from gatehand.past.player import NeverAtRestError
    from gatehand.replay.play_csv import as_line, play_csv

    def say(ms: int, finding: Finding) -> None:
        if args.json:
            print(json.dumps(as_line(ms, finding)))
        else:
            show([f"{ms / 1000:12.3f} s  {sentence_of(finding)}"])

    with ending(CsvError, NeverAtRestError), progress("readings") as count:
        still_running = play_csv(args.readings, shop, say, count)
    for tool in still_running:
        why = "its sensor speaks only on change (silent_after = 0): the replay ends with it running"
        show([f"{args.readings}: {tool} is still running when the readings end, and {why}"], sys.stderr)
    return 0


def _recording(args: argparse.Namespace, folder: Path, shop: Shop) -> int:
    from gatehand.recording.recording import BYTES_PER_READING, recordings
    from gatehand.replay.compare import as_json, compare, diff, table

    whole = sum(round(each.size / BYTES_PER_READING) for each in recordings(folder, args.since, args.until))
    with progress("readings", whole) as count:
        found = compare(folder, shop, args.since, args.until, count)
    for trouble in found.history.troubles:
        show([f"left out: {trouble}"], sys.stderr)
    if not found.history.files:
        raise CommandError(_nothing(folder))
    if args.json:
        print_json(as_json(found, events=args.diff))
        return 0
    show((*table(found), *(("", *diff(found)) if args.diff else ())))
    return 0


def _nothing(folder: Path) -> str:
    from gatehand.recording.recording import recordings

    there = [listed for listed in recordings(folder) if not listed.trouble]
    if not there:
        return (
            f"{folder}: no recording; let the daemon run ([log] readings_limit_mb above 0), or name its folder with "
            "--log"
        )
    return f"{folder}: nothing recorded in that time; the recording begins at {local_text(there[0].wall_ms)}"
