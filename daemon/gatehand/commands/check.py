"""`gatehand check`: every mistake in the config at once, with its line. Needs no network and no devices."""

import argparse
from contextlib import suppress
from pathlib import Path

from msgspec import to_builtins

from gatehand.commands import print_json
from gatehand.config import Fault, Loaded, Problem, Severity, load
from gatehand.text import listed, named


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Looks for mistakes in the config: all at once, each with line and column. Needs no network and no devices. "
        "Exits 1 when there is an error, 0 when there are only warnings."
    )
    parser.add_argument("--json", action="store_true", help="the same facts for programs")
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="the daemon's state folder, where it keeps how often each meter speaks; else the environment's "
        "STATE_DIRECTORY, else beside the config",
    )


def run(args: argparse.Namespace) -> int:
    """Print what is wrong and a last line that sums up."""
    loaded = load(args.config)
    problems = sorted(
        (*loaded.problems, *_of_the_air(loaded), *_of_rhythms(loaded, args.state)),
        key=lambda each: (each.line, each.column),
    )
    if args.json:
        print_json({"ok": loaded.ok, "problems": to_builtins(problems)})
    else:
        for problem in problems:
            print(problem)
        print(f"{loaded.path}: {_verdict(loaded, problems)}")
    return 0 if loaded.ok else 1


def _of_the_air(loaded: Loaded) -> tuple[Problem, ...]:
    """What the ducts' arithmetic warns of; only where ducts are given, for it takes a moment to load."""
    if loaded.config is None or not loaded.config.duct:
        return ()
    from gatehand.air import warnings

    return loaded.placed(Fault(path, message, Severity.WARNING) for path, message in warnings(loaded.config))


def _of_rhythms(loaded: Loaded, state: Path | None) -> tuple[Problem, ...]:
    """What does not fit the way in which the meters were seen to speak, by the daemon or in its recording."""
    if loaded.config is None or not loaded.config.tool:
        return ()
    from gatehand.config.check_rhythm import check_rhythm
    from gatehand.config.meters import meter_key, meters
    from gatehand.recording.recording import recordings
    from gatehand.shell.state_file import recall
    from gatehand.shell.state_folder import state_folder

    known = recall(state_folder(state, loaded.path))
    seen, config = dict(known.rhythms), loaded.config
    wanted = {meter_key(source) for _, source in meters(config).values()} - seen.keys()
    with suppress(OSError):  # the daemon's user may read it, and this one not
        if wanted and (files := recordings(loaded.file(config.log.folder))):
            from gatehand.past.meter_rhythm import recorded_rhythms

            seen = recorded_rhythms(files, config) | seen
    return loaded.placed(check_rhythm(config, seen, known.retained))


def _verdict(loaded: Loaded, problems: list[Problem]) -> str:
    errors = len(loaded.errors)
    warned = len(problems) - errors
    counts = [named(count, what) for count, what in ((errors, "error"), (warned, "warning")) if count]
    tables = [named(len(loaded.names.get(kind, ())), kind) for kind in ("tool", "gate", "collector")]
    tables += [named(len(names), kind) for kind in ("stop", "duct") if (names := loaded.names.get(kind))]
    what = f"; {listed(tables, last='and')}" if loaded.names else ""
    return f"{listed(counts, last='and') if counts else 'all well'}{what}"
