"""`gatehand check`: every mistake in the config at once, with its line. Needs no network and no devices.

With `--fix` also the difference that corrects what is certain; the file changes only with `--write`.
"""

import argparse
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from gatehand.commands import WRONG_USAGE, CommandError, ending, fitted, no_such, print_json
from gatehand.config import Fault, Loaded, Problem, codes, load
from gatehand.terminal import paragraph, room, show, wrapped
from gatehand.text import listed, named


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Checks the config for mistakes and shows them all at once, each with its line, the place marked, and a "
        "code that --explain tells more about. Needs no network and no devices. Exits 1 when there is an error, 0 "
        "when there are only warnings.\n\n"
        "--fix shows how to fix what is certain: a misspelt key or name where only one known word is a single "
        "letter away, and a duration without its quotes. With --write it does so, and keeps the old file as "
        "FILE.bak."
    )
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the config, instead of --config FILE")
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")
    parser.add_argument("--fix", action="store_true", help="show how to fix what is certain")
    parser.add_argument("--write", action="store_true", help="with --fix: fix it in the file; keeps FILE.bak")
    parser.add_argument(
        "--explain",
        nargs="?",
        const="",
        metavar="CODE",
        help="what a code means, and why; without CODE, list them all",
    )
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="the daemon's state folder, where it notes how often each meter reports; else "
        "$STATE_DIRECTORY, else beside the config",
    )


def run(args: argparse.Namespace) -> int:
    """Print what is wrong and a last line that sums up."""
    if args.explain is not None:
        return _explain(args.explain, as_json=args.json)
    path = _file(args)
    if args.fix:
        return _fix(path, args.state, write=args.write, as_json=args.json)
    loaded = load(path)
    problems = _all(loaded, args.state)
    if args.json:
        print_json(_facts(loaded, problems))
    else:
        show(_report(loaded, problems))
    return 0 if loaded.ok else 1


def _file(args: argparse.Namespace) -> Path:
    """The config that was named.

    Raises:
        CommandError: it was named twice, or in a way that names none.
    """
    if args.file is not None and args.config_given:
        raise CommandError("gatehand check: name the config only once: as FILE, or with --config FILE", WRONG_USAGE)
    if args.write and not args.fix:
        raise CommandError("gatehand check: --write goes with --fix", WRONG_USAGE)
    path: Path = args.file or args.config
    if str(path) == "-":
        raise CommandError("gatehand check: wanted the name of a file; it cannot read standard input", WRONG_USAGE)
    return path


def _all(loaded: Loaded, state: Path | None) -> list[Problem]:
    found = (*loaded.problems, *_of_the_air(loaded), *_of_rhythms(loaded, state), *_of_suctions(loaded, state))
    return sorted(found, key=lambda each: (each.line, each.column))


def _of_the_air(loaded: Loaded) -> tuple[Problem, ...]:
    """What the ducts' arithmetic warns of; only where ducts are given, for it takes a moment to load."""
    units_fit = all(each.code != codes.UNITS_DOUBTFUL.name for each in loaded.problems)
    if loaded.config is None or not loaded.config.duct or not units_fit:
        return ()
    from gatehand.air import warnings

    return loaded.placed(Fault(path, codes.WEAK_AIR, message) for path, message in warnings(loaded.config))


def _facts(loaded: Loaded, problems: list[Problem]) -> dict[str, Any]:
    return {"ok": loaded.ok, "problems": to_builtins(problems)}


def _report(loaded: Loaded, problems: list[Problem]) -> Iterator[str]:
    """Each problem with its line, and what it comes to."""
    yield from _shown(loaded, problems)
    yield f"{loaded.path}: {_verdict(loaded, problems)}"
    if any(each.fix is not None for each in problems):
        from gatehand.config.fixes import corrected

        if count := len(corrected(loaded).fixed):
            yield f"gatehand check --fix {loaded.path} shows how to fix {count} of them"


def _shown(loaded: Loaded, problems: Iterable[Problem]) -> Iterator[str]:
    from gatehand.config.excerpt import excerpt

    lines, widest = loaded.text.split("\n"), room()
    for problem in problems:
        yield from fitted(str(problem))
        yield from excerpt(lines, problem, widest)


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


def _of_suctions(loaded: Loaded, state: Path | None) -> tuple[Problem, ...]:
    """Sensors that have nothing to be compared with, by the config and what the daemon has kept."""
    if loaded.config is None or all(fan.suction is None for fan in loaded.config.collector.values()):
        return ()
    from gatehand.shell.baselines import check_suction
    from gatehand.shell.state_file import recall
    from gatehand.shell.state_folder import state_folder

    return loaded.placed(check_suction(loaded.config, recall(state_folder(state, loaded.path)).baselines))


def _verdict(loaded: Loaded, problems: list[Problem]) -> str:
    errors = len(loaded.errors)
    warned = len(problems) - errors
    counts = [named(count, what) for count, what in ((errors, "error"), (warned, "warning")) if count]
    tables = [named(len(loaded.names.get(kind, ())), kind) for kind in ("tool", "gate", "collector")]
    tables += [named(len(names), kind) for kind in ("stop", "duct") if (names := loaded.names.get(kind))]
    what = f"; {listed(tables, last='and')}" if loaded.names else ""
    return f"{listed(counts, last='and') if counts else 'no problems'}{what}"


_BOM = "\ufeff".encode()


def _fix(path: Path, state: Path | None, *, write: bool, as_json: bool) -> int:
    """Show what would be corrected, or correct it. The exit code is about the file as it is in the end."""
    from gatehand.config.fixes import corrected
    from gatehand.config.load import load_bytes
    from gatehand.small_files import UnreadableError, UnwritableError, keep_copy, read_bytes, replace_bytes
    from gatehand.tune.config_edit import difference

    with ending(UnreadableError, by=f"gatehand check: {path} "):
        content = read_bytes(path)
    loaded = load_bytes(content, path)
    after = corrected(loaded)
    shown = difference(loaded.text, after.loaded.text, path, "corrected" if write else "proposed")
    copy = None
    if write and after.fixed:
        mark = _BOM if content.startswith(_BOM) else b""
        with ending(UnwritableError, by="gatehand check: "):
            copy = keep_copy(path, content)
            replace_bytes(path, mark + after.loaded.text.encode(), was=content)
    final = after.loaded if copy is not None else loaded
    if as_json:
        facts = _facts(final, _all(final, state))
        kept = None if copy is None else str(copy)
        print_json({**facts, "fixed": to_builtins(after.fixed), "difference": shown, "kept": kept})
        return 0 if final.ok else 1
    print(shown, end="")
    left = _all(after.loaded, state)
    show(_shown(after.loaded, left))
    fixes = named(len(after.fixed), "correction")
    if copy is not None:
        said = f"{path}: {fixes} written, the old file is {copy}; {_verdict(after.loaded, left)}"
    elif after.fixed:
        said = f"{path}: {fixes} shown, nothing written (add --write); with them: {_verdict(after.loaded, left)}"
    else:
        said = f"{path}: nothing that is certain to fix; {_verdict(loaded, left)}"
    show([said])
    return 0 if final.ok else 1


def _explain(name: str, *, as_json: bool) -> int:
    """What a code means; without a name, all of them in a line each."""
    if name and name not in codes.CODES:
        raise no_such("gatehand check: there is no code", name, codes.CODES, "gatehand check --explain lists them")
    chosen = [codes.CODES[name]] if name else [*codes.CODES.values()]
    if as_json:
        print_json([to_builtins(each) for each in chosen])
    elif name:
        show(_explained(chosen[0]))
    else:
        width = max(len(each.name) for each in chosen)
        show(f"{each.name:<{width}}  {each.level:<7}  {each.why.split('. ')[0].rstrip('.')}" for each in chosen)
    return 0


_WIDTH = 88


def _explained(code: codes.Code) -> Iterator[str]:
    yield f"{code.name} ({code.level})"
    yield ""
    yield from wrapped(code.why, paragraph(_WIDTH))
    if code.right:
        yield ""
        yield "For example, this is right:"
        yield ""
        yield from (f"    {line}" for line in code.right.split("\n"))
