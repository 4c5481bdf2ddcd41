"""Break the rules, or a package of the daemon, in every small way there is, and count what the tests notice.

    python tests/mutation/mutate.py                      # the rules but air/ and reshape: minutes on one core
    python tests/mutation/mutate.py --only interlock fan # some files
    python tests/mutation/mutate.py --again              # only what survived or was not reached, with the tests of now
    python tests/mutation/mutate.py --show interlock     # what survived the last run, as diffs
    python tests/mutation/mutate.py --package why --sample 60 --seed 1    # a package of the daemon, and its own tests
    python tests/mutation/mutate.py --package replay past --again         # only what they did not notice last time

Wants `pip install mutmut==3.8.1 mypy`. mutmut makes the mutants, in a scratch copy; loop.py runs the tests on them,
hundreds a minute. A mutant that no longer type-checks is noticed too (`mypy --strict` must pass before a change
lands) and is counted apart. For a package of the daemon (packages.py) only its own tests count; its mutants that were
judged equal in effect (equal.toml) are left out of the share.
"""

import argparse
import ast
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import packages

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
TESTS = ("rules_units", "scenarios", "support", "test_scenarios.py", "conftest.py")
LONG = ("day_of_mitre_cuts", "mitre_saw_pauses")
"""Stories of a whole day: each would cost every survivor seconds, and none tells what the short ones do not."""
EVERY_STORY = "test_scenarios.py::test_every_rule_and_every_event_is_met_in_some_story"
RANDOM = tuple(
    f"rules_units/test_wake_deadlines.py::test_{name}"
    for name in (
        "a_deadline_is_never_behind_and_a_tick_there_moves_it_on",
        "before_its_deadline_a_tick_changes_nothing_and_says_nothing",
        "a_doubled_tick_is_harmless_and_a_late_one_catches_up",
    )
)
APART = ("src/gatehand_air/*", "src/gatehand_rules/reshape.py")
"""Arithmetic of air, tested against published values and an oracle; a state carried over, tested in tests/shell."""
MAKE = "from mutmut.__main__ import *; copy_src_dir(); copy_also_copy_files(); create_mutants(1)"


def main() -> int:
    """Run, or show, and tell."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", default=[], metavar="FILE", help="names of files without .py")
    parser.add_argument("--again", action="store_true", help="only what survived or was not reached")
    parser.add_argument("--show", nargs="*", metavar="FILE", help="show what survived and run nothing")
    parser.add_argument("--thorough", action="store_true", help="also the random stories, seconds for each survivor")
    parser.add_argument("--children", type=int, default=1, help="processes at a time")
    parser.add_argument("--scratch", type=Path, default=Path(tempfile.gettempdir()) / "gatehand-mutation")
    parser.add_argument(
        "--package", nargs="+", default=[], metavar="NAME", help="packages of the daemon, not the rules"
    )
    parser.add_argument("--sample", type=int, metavar="COUNT", help="with --package: so many mutants, drawn at random")
    parser.add_argument("--seed", type=int, default=1, help="what the sample is drawn from (default: 1)")
    parser.add_argument("--at-least", type=float, default=0, metavar="PERCENT", help="exit 1 where less is noticed")
    args = parser.parse_args()
    if args.package:
        return _of_packages(args)
    scratch: Path = args.scratch
    if args.show is not None:
        for name, killer in _last(scratch).items():
            if killer is None and (not args.show or _file(name) in args.show):
                print(_python(scratch, "-m", "mutmut", "show", name))
        return 0
    last = _last(scratch)
    if args.again:
        _copy_tests(scratch, scratch / "mutants")
        pending = [name for name in _mutants(scratch) if name not in last]
        pending += [name for name, killer in last.items() if killer is None]
    else:
        _lay_out(scratch)
        _python(scratch, "-c", MAKE)
        last = dict.fromkeys(_no_longer_typed(scratch), "mypy")
        pending = [name for name in _mutants(scratch) if name not in last]
    if args.only:
        pending = [name for name in pending if _file(name) in args.only]
    random.Random(1).shuffle(pending)  # so that a run cut short is a fair sample
    _write(scratch, last)
    code = _loop(scratch, pending, args.children, thorough=args.thorough)
    _tell(_last(scratch))
    return code


def _of_packages(args: argparse.Namespace) -> int:
    """The same for packages of the daemon; 1 where too little is noticed, or equal.toml is wrong."""
    scratch: Path = args.scratch / "-".join(args.package)
    if args.show is not None:
        packages.tell(packages.mutants(scratch), _last(scratch))
        return 0
    if args.again:
        found, last = packages.mutants(scratch), _last(scratch)
        packages.refresh_tests(scratch)
        pending = [one for one in found if one.name in last and last[one.name] is None]
    else:
        found, last = packages.lay_out(scratch, args.package), {}
        pending = packages.sample(found, args.only, args.sample, args.seed)
    _write(scratch, last)
    if code := packages.run(scratch, args.package, pending, args.children):
        return code
    last = _last(scratch)
    wrong = list(packages.troubles(found, last))
    share = packages.tell(found, last)
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong or share < args.at_least else 0


def _lay_out(scratch: Path) -> None:
    """A copy in which the rules stand under src/, as mutmut wants it."""
    shutil.rmtree(scratch, ignore_errors=True)
    forget = shutil.ignore_patterns("__pycache__", ".*_cache")
    shutil.copytree(ROOT / "rules", scratch / "src", ignore=forget)
    shutil.copytree(ROOT / "daemon", scratch / "daemon", ignore=forget)
    _copy_tests(scratch, scratch)
    (scratch / "pyproject.toml").write_text(
        f"""
[tool.pytest.ini_options]
pythonpath = ["src", "daemon", "tests"]
[tool.mypy]
mypy_path = "src"
[tool.mutmut]
source_paths = ["src"]
do_not_mutate = {json.dumps(list(APART))}
also_copy = ["daemon"]
use_git_change_detection = false
""",
        encoding="utf-8",
    )


def _copy_tests(scratch: Path, where: Path) -> None:
    shutil.rmtree(where / "tests", ignore_errors=True)
    (where / "tests").mkdir()
    forget = shutil.ignore_patterns("__pycache__", *(f"{name}.txt" for name in LONG))
    for name in TESTS:
        path = ROOT / "tests" / name
        if path.is_dir():
            shutil.copytree(path, where / "tests" / name, ignore=forget)
        else:
            shutil.copy2(path, where / "tests" / name)
    shutil.copy2(HERE / "loop.py", scratch)


def _python(where: Path, *words: str) -> str:
    done = subprocess.run(  # noqa: S603 - our own interpreter, our own words
        [sys.executable, *words], cwd=where, check=False, stdout=subprocess.PIPE, text=True
    )
    return done.stdout


def _mutants(scratch: Path) -> Iterator[str]:
    for meta in sorted((scratch / "mutants" / "src" / "gatehand_rules").glob("*.py.meta")):
        yield from json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"]


def _no_longer_typed(scratch: Path) -> set[str]:
    """Mutants in which `mypy --strict` finds an error."""
    where = scratch / "mutants"
    told = _python(where, "-m", "mypy", "--strict", "--no-warn-unused-ignores", "--output=json", "src/gatehand_rules")
    lines: dict[str, set[int]] = {}
    for error in map(json.loads, told.splitlines()):
        lines.setdefault(error["file"], set()).add(error["line"])
    found: set[str] = set()
    for path, wrong in lines.items():
        for node in ast.walk(ast.parse((where / path).read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and "__mutmut_" in node.name:
                span = range(node.lineno, (node.end_lineno or node.lineno) + 1)
                if wrong.intersection(span):
                    found.add(f"gatehand_rules.{Path(path).stem}.{node.name}")
    return found.intersection(_mutants(scratch))


def _loop(scratch: Path, pending: list[str], children: int, *, thorough: bool) -> int:
    """Run the tests on each; 1 when they fail on the rules as they are, and nothing can be said."""
    words = ["-p", "loop", "-p", "no:cacheprovider", "-p", "no:asyncio", "-q", "--no-header", "--assert=plain"]
    words += ["--tb=native", "tests", *(f"--deselect=tests/{name}" for name in (EVERY_STORY, *RANDOM))]
    words = [word for word in words if not thorough or not word.endswith(RANDOM)]
    running = []
    for at in range(children):
        part = scratch / f"share_{at}.json"
        part.write_text(json.dumps(pending[at::children]), encoding="utf-8")
        files = {"GATEHAND_MUTANTS": str(part), "GATEHAND_RESULTS": str(scratch / packages.RESULTS)}
        running.append(
            subprocess.Popen(  # noqa: S603 - our own interpreter, our own words
                [sys.executable, "-m", "pytest", *words],
                cwd=scratch / "mutants",
                env={**os.environ, "PYTHONPATH": str(scratch), **files},
            )
        )
    return max(1 if one.wait() == 2 else 0 for one in running)


def _last(scratch: Path) -> packages.Results:
    """What noticed each mutant in the last run; the last word on each counts."""
    path = scratch / packages.RESULTS
    return dict(map(json.loads, path.read_text(encoding="utf-8").splitlines())) if path.exists() else {}


def _write(scratch: Path, results: packages.Results) -> None:
    text = "".join(json.dumps(pair) + "\n" for pair in results.items())
    (scratch / packages.RESULTS).write_text(text, encoding="utf-8")


def _file(mutant: str) -> str:
    return mutant.rpartition(".")[0].rpartition(".")[2]


def _tell(results: packages.Results) -> None:
    counts: dict[str, Counter[str]] = {}
    for name, killer in sorted(results.items()):
        word = {None: "survived", "mypy": "types", "timeout": "timeout"}.get(killer, "tests")
        counts.setdefault(_file(name), Counter())[word] += 1
    words = ("tests", "timeout", "types", "survived")
    print(_row("file", words, "noticed", "by tests"))
    counts["all"] = sum(counts.values(), Counter())
    for file, count in counts.items():
        tried = count.total() - count["types"]
        noticed = f"{100 * (1 - count['survived'] / count.total()):.1f} %"
        by_tests = f"{100 * (1 - count['survived'] / max(1, tried)):.1f} %"
        print(_row(file, (count[word] for word in words), noticed, by_tests))


def _row(first: str, middle: Iterable[object], *last: str) -> str:
    return f"{first:10}" + "".join(f"{one!s:>10}" for one in (*middle, *last))


if __name__ == "__main__":
    sys.exit(main())
