"""`gatehand check`: every mistake in the config at once, with its line. Needs no network and no devices."""

import argparse

from msgspec import to_builtins

from gatehand.commands import print_json
from gatehand.config import Fault, Loaded, Problem, Severity, load
from gatehand.config import codes
from gatehand.text import listed, named


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Looks for mistakes in the config: all at once, each with line and column. Needs no network and no devices. "
        "Exits 1 when there is an error, 0 when there are only warnings."
    )
    parser.add_argument("--json", action="store_true", help="the same facts for programs")


def run(args: argparse.Namespace) -> int:
    """Print what is wrong and a last line that sums up."""
    loaded = load(args.config)
    problems = sorted((*loaded.problems, *_of_the_air(loaded)), key=lambda each: (each.line, each.column))
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

    return loaded.placed(Fault(path, codes.WEAK_AIR, message) for path, message in warnings(loaded.config))


def _verdict(loaded: Loaded, problems: list[Problem]) -> str:
    errors = len(loaded.errors)
    warned = len(problems) - errors
    counts = [named(count, what) for count, what in ((errors, "error"), (warned, "warning")) if count]
    tables = [named(len(loaded.names.get(kind, ())), kind) for kind in ("tool", "gate", "collector")]
    tables += [named(len(names), kind) for kind in ("stop", "duct") if (names := loaded.names.get(kind))]
    what = f"; {listed(tables, last='and')}" if loaded.names else ""
    return f"{listed(counts, last='and') if counts else 'all well'}{what}"
