"""`gatehand tune`: thresholds, delays and run-on from what was recorded. Changes the config only with --write."""

import argparse
import json
import sys
from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gatehand.commands._configured import load_or_explain
from gatehand.commands._output import Progress, write_or_explain
from gatehand.commands._time_options import add_span
from gatehand.config import Config, Loaded

if TYPE_CHECKING:
    from gatehand.past.recordings import Readings
    from gatehand.tune.study import Study

DAYS: Final = 14
_WRONG_USAGE: Final = 2


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Finds a tool's levels at rest and at work in its recorded readings (Otsu's method on a logarithmic scale), "
        "proposes thresholds between them and says what each run-on would cost and spare. Reads the recording of the "
        f"last {DAYS} days, or a logger's CSV file. Says so when it is too short to tell. Exits 1 when it can tell "
        "nothing."
    )
    parser.add_argument("tool", nargs="*", metavar="TOOL", help="only these tools")
    parser.add_argument("--readings", type=Path, metavar="FILE", help="a logger's CSV file with columns t_s,tool,amps")
    add_span(parser, since=f"from this time on; else the last {DAYS} days", until="up to this time")
    parser.add_argument("--plot", type=Path, metavar="FILE.svg", help="draw it, as SVG")
    parser.add_argument("--write", action="store_true", help="put the proposals into the config, after showing them")
    parser.add_argument("--yes", action="store_true", help="with --write: do not ask")
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Study, say, draw, write."""
    found = load_or_explain(args.config)
    if found is None:
        return 1
    config, loaded = found
    unknown = _unknown(args.tool, tuple(config.tool))
    if unknown:
        print(f"gatehand tune: {unknown}", file=sys.stderr)
        return _WRONG_USAGE
    readings = _readings(args, config, loaded)
    if isinstance(readings, int):
        return readings
    for trouble in readings.troubles:
        print(f"left out: {trouble}", file=sys.stderr)
    from gatehand.tune.study import study

    shop = loaded.shop
    tools = () if shop is None else shop.tools
    studies = [
        study(tool, readings.pieces.get(tool.name, ())) for tool in tools if tool.name in (args.tool or config.tool)
    ]
    _say(studies, as_json=args.json)
    if args.plot is not None and not _draw(studies, args.plot):
        return 1
    if args.write:
        return _write(studies, loaded, ask=not args.yes)
    return 0 if any(one.found for one in studies) else 1


def _unknown(asked: Sequence[str], known: Sequence[str]) -> str:
    from gatehand.text import did_you_mean

    for name in asked:
        if name not in known:
            return f"there is no tool {name!r}; {did_you_mean(name, known)}"
    return ""


def _readings(args: argparse.Namespace, config: Config, loaded: Loaded) -> "Readings | int":
    """The readings, or the exit code after saying why there are none."""
    from gatehand.past.csv_readings import CsvError
    from gatehand.past.recordings import from_csv, from_recording, newest

    with Progress("readings") as progress:
        if args.readings is not None:
            try:
                return from_csv(args.readings, config.tool, progress.count)
            except CsvError as error:
                print(error, file=sys.stderr)
                return 1
        folder = loaded.file(config.log.folder)
        last = newest(folder)
        if last is None:
            print(
                f"{folder}: no recording yet; let the daemon run ([log] readings_limit_mb above 0), or give a logger's "
                "file with --readings",
                file=sys.stderr,
            )
            return 1
        return from_recording(
            folder, args.tool or config.tool, args.since or last - timedelta(days=DAYS), args.until, progress.count
        )


def _say(studies: "Sequence[Study]", *, as_json: bool) -> None:
    from gatehand.tune.study import as_json as values
    from gatehand.tune.study import text

    if as_json:
        print(json.dumps([values(one) for one in studies], indent=2))
        return
    for at, one in enumerate(studies):
        if at:
            print()
        for line in text(one):
            print(line)


def _draw(studies: "Sequence[Study]", path: Path) -> bool:
    from gatehand.tune.study_chart import picture

    if not write_or_explain(path, picture(studies)):
        return False
    print(f"{path}: written", file=sys.stderr)
    return True


def _write(studies: "Sequence[Study]", loaded: Loaded, *, ask: bool) -> int:
    """Show the difference, ask, write. 0 also when there is nothing to change."""
    from gatehand.config import load_text
    from gatehand.tune.config_edit import NoEditError, difference, edited, write
    from gatehand.tune.study import proposed

    settings = {one.tool.name: proposed(one) for one in studies if one.found is not None}
    try:
        text = edited(loaded.text, settings)
        shown = difference(loaded.text, text, loaded.path)
        if not shown:
            print(f"{loaded.path}: nothing to change", file=sys.stderr)
            return 0 if settings else 1
        print(shown, end="", file=sys.stderr)
        wrong = load_text(text, loaded.path, files=False).errors
        if wrong:
            print(f"not written, for it would be wrong: {wrong[0]}", file=sys.stderr)
            return 1
        if ask and not _agreed(loaded.path):
            print("not written", file=sys.stderr)
            return 1
        write(loaded.path, text)
    except NoEditError as error:
        print(error, file=sys.stderr)
        return 1
    print(f"{loaded.path}: written; a running daemon takes it up by itself", file=sys.stderr)
    return 0


def _agreed(path: Path) -> bool:
    if not sys.stdin.isatty():
        print("nobody to ask here: give --yes to write", file=sys.stderr)
        return False
    print(f"write this into {path}? [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in {"y", "yes"}
