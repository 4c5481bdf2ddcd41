"""Break the rules in every small way there is, and count what the tests notice.

    python tests/mutation/run.py                      # the rules, about half an hour on one core
    python tests/mutation/run.py --only interlock fan # some files
    python tests/mutation/run.py --show interlock     # what survived the last run, as diffs

Works on a scratch copy, so the tree stays as it is. Wants `pip install mutmut mypy` (mutmut 3). A mutant that no
longer type-checks is counted apart: `mypy --strict` is among what must pass before a change lands.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = ("rules_units", "scenarios", "test_scenarios.py", "conftest.py")
SLOW = ("day_of_mitre_cuts", "mitre_saw_pauses")
"""Stories of a whole day: each would cost every survivor seconds, and none tells what the short ones do not."""
APART = ("src/gatehand_rules/air/*", "src/gatehand_rules/reshape.py")
"""Arithmetic of air, tested against published values and an oracle; a state carried over, tested in tests/shell."""
KILLED, SURVIVED, UNTESTED, BY_TYPES = {1, 3}, {0}, {5, 33}, {37}


def main() -> int:
    """Run, or show, and tell."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", default=[], metavar="FILE", help="names of files without .py")
    parser.add_argument("--show", nargs="*", metavar="FILE", help="show what survived and run nothing")
    parser.add_argument("--scratch", type=Path, default=Path(tempfile.gettempdir()) / "gatehand-mutation")
    parser.add_argument("--children", type=int, default=1, help="processes at a time")
    args = parser.parse_args()
    if args.show is not None:
        for name in _names(args.scratch, SURVIVED, args.show):
            print(_mutmut(args.scratch, "show", name, quiet=True))
        return 0
    _lay_out(args.scratch)
    names = [f"gatehand_rules.{name}.*" for name in args.only]
    _mutmut(args.scratch, "run", "--max-children", str(args.children), *names)
    return _tell(args.scratch)


def _lay_out(scratch: Path) -> None:
    """A copy in which the rules stand under src/, as mutmut wants it. Results of files not changed are kept."""
    scratch.mkdir(parents=True, exist_ok=True)
    for old in ("src", "daemon", "tests"):
        shutil.rmtree(scratch / old, ignore_errors=True)
    forget = shutil.ignore_patterns("__pycache__", *(f"{name}.txt" for name in SLOW))
    shutil.copytree(ROOT / "rules" / "gatehand_rules", scratch / "src" / "gatehand_rules", ignore=forget)
    shutil.copytree(ROOT / "daemon", scratch / "daemon", ignore=forget)
    (scratch / "tests").mkdir()
    for name in TESTS:
        path = ROOT / "tests" / name
        if path.is_dir():
            shutil.copytree(path, scratch / "tests" / name, ignore=forget)
        else:
            shutil.copy2(path, scratch / "tests" / name)
    check = [
        sys.executable,
        "-m",
        "mypy",
        "--strict",
        "--no-warn-unused-ignores",
        "--output=json",
        "src/gatehand_rules",
    ]
    (scratch / "pyproject.toml").write_text(
        f"""
[tool.pytest.ini_options]
testpaths = ["tests"]
pythonpath = ["daemon", "tests"]
addopts = ["-p", "no:cacheprovider", "-p", "no:asyncio", "--deselect",
  "tests/test_scenarios.py::test_every_rule_and_every_event_is_met_in_some_story"]
[tool.mypy]
mypy_path = "src"
plugins = ["pydantic.mypy"]
[tool.mutmut]
source_paths = ["src"]
do_not_mutate = {json.dumps(list(APART))}
also_copy = ["daemon"]
use_git_change_detection = false
type_check_command = {json.dumps(check)}
""",
        encoding="utf-8",
    )


def _mutmut(scratch: Path, *words: str, quiet: bool = False) -> str:
    done = subprocess.run(  # noqa: S603 - our own interpreter, our own words
        [sys.executable, "-m", "mutmut", *words], cwd=scratch, check=not quiet, capture_output=quiet, text=True
    )
    return done.stdout if quiet else ""


def _results(scratch: Path) -> Iterator[tuple[str, str, int | None]]:
    """File, mutant, mutmut's exit code."""
    for meta in sorted((scratch / "mutants" / "src" / "gatehand_rules").glob("*.py.meta")):
        for name, code in json.loads(meta.read_text(encoding="utf-8"))["exit_code_by_key"].items():
            yield meta.name.removesuffix(".py.meta"), name, code


def _names(scratch: Path, codes: set[int], files: list[str]) -> Iterator[str]:
    for file, name, code in _results(scratch):
        if code in codes and (not files or file in files):
            yield name


def _tell(scratch: Path) -> int:
    counts: dict[str, Counter[str]] = {}
    for file, _, code in _results(scratch):
        word = "timeout"
        for known, codes in (("killed", KILLED), ("survived", SURVIVED), ("untested", UNTESTED), ("types", BY_TYPES)):
            word = known if code in codes else word
        counts.setdefault(file, Counter())["unchecked" if code is None else word] += 1
    words = ("killed", "timeout", "types", "survived", "untested", "unchecked")
    print(f"{'file':12}" + "".join(f"{word:>10}" for word in words) + f"{'noticed':>10}")
    counts["all"] = sum(counts.values(), Counter())
    for file, count in counts.items():
        noticed = count["killed"] + count["timeout"] + count["types"]
        share = 100 * noticed / max(1, count.total() - count["unchecked"])
        print(f"{file:12}" + "".join(f"{count[word]:10}" for word in words) + f"{share:9.1f}%")
    return 0


if __name__ == "__main__":
    sys.exit(main())
