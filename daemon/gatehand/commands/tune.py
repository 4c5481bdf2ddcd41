"""`gatehand tune`: thresholds, delays and run-on from what was recorded. Changes the config only with --write."""

import argparse
import sys
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gatehand.commands import (
    READINGS,
    CommandError,
    add_span,
    configured,
    device_name,
    ending,
    no_such,
    print_json,
    progress,
    write,
)
from gatehand.config import Config, Loaded
from gatehand.measures import measures_of
from gatehand.terminal import show
from gatehand.text import listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from gatehand.past.recordings import Readings
    from gatehand.tune.study import Study
    from gatehand_rules import Shop

DAYS: Final = 14


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Finds a tool's levels at rest and at work in its recorded readings (Otsu's method on a logarithmic scale, or "
        "the widest gap where that parts the work within itself), "
        "proposes thresholds between them and says what each run-on would cost and save. Reads the recording of the "
        f"last {DAYS} days, or a logger's CSV file. Says so when it is too short to tell. Exits 1 when it can tell "
        "nothing."
    )
    parser.add_argument("tool", nargs="*", type=device_name, metavar="TOOL", help="only these tools")
    parser.add_argument("--readings", type=Path, metavar="FILE", help=READINGS)
    add_span(parser, since=f"from this time on; else the last {DAYS} days", until="up to this time")
    parser.add_argument("--plot", type=Path, metavar="FILE.svg", help="draw it, as SVG")
    parser.add_argument("--write", action="store_true", help="put the proposals into the config, after showing them")
    parser.add_argument("--yes", action="store_true", help="with --write: do not ask")
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")


def run(args: argparse.Namespace) -> int:
    """Study, say, draw, write."""
    config, loaded, shop = configured(args.config)
    for name in args.tool:
        if name not in config.tool:
            raise no_such("gatehand tune: there is no tool", name, config.tool)
    readings = _readings(args, config, loaded, shop)
    for trouble in readings.troubles:
        show([f"left out: {trouble}"], sys.stderr)
    from gatehand.tune import study

    chosen = (tool for tool in shop.tools if tool.name in (args.tool or config.tool))
    studies = [study.study(tool, readings.pieces.get(tool.name, ())) for tool in chosen]
    if args.json:
        print_json([study.as_json(one) for one in studies])
    elif studies:
        show(["\n\n".join("\n".join(study.text(one)) for one in studies)])
    if args.plot is not None:
        from gatehand.tune.study_chart import picture

        write(args.plot, picture(studies))
        show([f"{args.plot}: written"], sys.stderr)
    if args.write:
        return _write(studies, loaded, ask=not args.yes)
    return 0 if any(one.found for one in studies) else 1


def _readings(args: argparse.Namespace, config: Config, loaded: Loaded, shop: "Shop") -> "Readings":
    from gatehand.past.csv_readings import CsvError
    from gatehand.past.recordings import from_csv, from_recording, newest

    measures = measures_of(shop.tools)
    with ending(CsvError), progress("readings") as count:
        if args.readings is not None:
            return from_csv(args.readings, measures, count)
        folder = loaded.file(config.log.folder)
        last = newest(folder)
        if last is None:
            raise CommandError(
                f"{folder}: no recording yet; let the daemon run ([log] readings_limit_mb above 0), or give a logger's "
                "file with --readings"
            )
        wanted = {name: measures[name] for name in args.tool or measures}
        return from_recording(folder, wanted, args.since or last - timedelta(days=DAYS), args.until, count)


def _write(studies: "Sequence[Study]", loaded: Loaded, *, ask: bool) -> int:
    """Show the difference, ask, write. 0 also when there is nothing to change."""
    from gatehand.config import load_text
    from gatehand.small_files import UnwritableError, replace_bytes
    from gatehand.tune import config_edit
    from gatehand.tune.study import proposed

    found = {one.tool.name: proposed(one) for one in studies if one.found is not None}
    settings = config_edit.needed(loaded.text, found)
    for name, values in found.items():
        if left := [key for key in values if key not in settings[name]]:
            says = "default already says" if len(left) == 1 else "defaults already say"
            print(f"{name}: {listed(left, last='and')} not written: the {says} so", file=sys.stderr)
    with ending(config_edit.NoEditError, UnwritableError):
        text = config_edit.edited(loaded.text, settings)
        shown = config_edit.difference(loaded.text, text, loaded.path)
        if not shown:
            show([f"{loaded.path}: nothing to change"], sys.stderr)
            return 0 if settings else 1
        print(shown, end="", file=sys.stderr)
        wrong = load_text(text, loaded.path, files=False).errors
        if wrong:
            raise CommandError(f"not written, because it would be wrong: {wrong[0]}")
        if ask and not _agreed(loaded.path):
            raise CommandError("not written")
        replace_bytes(loaded.path, text.encode())
    show([f"{loaded.path}: written; a running daemon takes it by itself"], sys.stderr)
    return 0


def _agreed(path: Path) -> bool:
    if not sys.stdin.isatty():
        show(["nobody here to ask: give --yes to write"], sys.stderr)
        return False
    print(f"write this into {path}? [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in {"y", "yes"}
