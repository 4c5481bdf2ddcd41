"""`gatehand replay`: recorded readings, or a logger's, through this config or another. Changes and commands nothing."""

import argparse
import json
import sys
from pathlib import Path

from gatehand.commands._configured import load_or_explain
from gatehand.commands._progress import Progress
from gatehand.journal.sentences import sentence_of
from gatehand_rules.findings import Finding


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Plays readings through tool detection and rules as the daemon does, without a broker. "
        "With --readings: a CSV file from any logger, columns t_s,tool,amps (seconds from any zero, rising), with "
        "gates and switches that never fail; the shop is at rest when the file begins, and after the last reading time "
        "runs on until all is at rest again."
    )
    parser.add_argument("--readings", type=Path, metavar="FILE", help="a logger's CSV file with columns t_s,tool,amps")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, with the log's event names")


def run(args: argparse.Namespace) -> int:
    """Play a logger's file or the recording."""
    found = load_or_explain(args.config)
    if found is None:
        return 1
    shop = found[1].shop
    if shop is None:
        return 1
    from gatehand.replay.begin import NeverAtRestError
    from gatehand.replay.csvfile import CsvError
    from gatehand.replay.readings import as_line, play_csv

    def show_json(ms: int, finding: Finding) -> None:
        print(json.dumps(as_line(ms, finding)))

    def show_text(ms: int, finding: Finding) -> None:
        print(f"{ms / 1000:12.3f} s  {sentence_of(finding)}")

    with Progress("readings") as progress:
        try:
            played = play_csv(args.readings, shop, show_json if args.json else show_text, progress.count)
        except (CsvError, NeverAtRestError) as error:
            print(error, file=sys.stderr)
            return 1
    for tool in played.still_running:
        print(
            f"{args.readings}: {tool} still runs when the readings end, and its sensor speaks only on change "
            "(silent_after = 0): the replay ends with it running",
            file=sys.stderr,
        )
    return 0
