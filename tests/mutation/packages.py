"""A package of the daemon broken in small ways, and what its own tests notice: `mutate.py --package` is the door.

A copy of the whole repository holds the mutants (`make.py` puts them there), so that tests find their files, and the
commands that they start are broken too. Nothing but the tests counts: what only a type checker sees is not noticed.
What was judged to change nothing that can be seen stands in equal.toml, each with the reason.
"""

import json
import os
import random
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

HERE: Final = Path(__file__).resolve().parent
ROOT: Final = HERE.parents[1]
EQUAL: Final = HERE / "equal.toml"
ELSEWHERE: Final = {"past": ("replay", "past", "report/test_report_account.py")}
"""The tests of a package that are not, or not all, in the folder of its name."""
RESULTS: Final = "results.jsonl"
MUTANTS: Final = "mutants.jsonl"
Results: TypeAlias = dict[str, str | None]
"""What noticed each mutant; None: nothing."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One line changed in one function."""

    name: str
    module: str
    function: str
    was: str
    now: str

    @property
    def file(self) -> str:
        """Its file below daemon/gatehand."""
        return "/".join(self.module.split(".")[1:]) + ".py"

    @property
    def change(self) -> tuple[str, str, str, str]:
        """What it is known by in equal.toml."""
        return self.file, self.function, self.was, self.now


@dataclass(frozen=True, slots=True)
class Judged:
    """An entry of equal.toml."""

    file: str
    function: str
    was: str
    now: str
    because: str
    times: int = 1
    """How many mutants it is about: one line may stand twice in a function."""

    @property
    def change(self) -> tuple[str, str, str, str]:
        """What `Mutant.change` says too."""
        return self.file, self.function, self.was, self.now


def judged() -> list[Judged]:
    """All that was judged equal in effect."""
    return [Judged(**entry) for entry in tomllib.loads(EQUAL.read_text(encoding="utf-8"))["equal"]]


def lay_out(scratch: Path, packages: Sequence[str]) -> list[Mutant]:
    """A copy of the repository with all the mutants of these packages in it."""
    shutil.rmtree(scratch, ignore_errors=True)
    shop = scratch / "shop"
    shutil.copytree(ROOT, shop, ignore=shutil.ignore_patterns("__pycache__", ".*"))
    (scratch / "pyproject.toml").write_text('[tool.mutmut]\nsource_paths = ["shop"]\n', encoding="utf-8")
    files: list[Path] = []
    for package in packages:
        folder = shop / "daemon" / "gatehand" / package
        found = sorted(folder.glob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]
        if not all(path.exists() for path in found):
            sys.exit(f"daemon/gatehand has no package {package}")
        files += found
    told = subprocess.run(  # noqa: S603 - our own interpreter, our own words
        [sys.executable, HERE / "make.py", shop / "daemon", *files],
        cwd=scratch,
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    (scratch / MUTANTS).write_text(told.stdout, encoding="utf-8")
    return mutants(scratch)


def mutants(scratch: Path) -> list[Mutant]:
    """Those of the last layout."""
    return [Mutant(**json.loads(line)) for line in (scratch / MUTANTS).read_text(encoding="utf-8").splitlines()]


def refresh_tests(scratch: Path) -> None:
    """The tests of now beside the mutants of then."""
    shutil.rmtree(scratch / "shop" / "tests")
    shutil.copytree(ROOT / "tests", scratch / "shop" / "tests", ignore=shutil.ignore_patterns("__pycache__", ".*"))


def sample(found: Sequence[Mutant], only: Collection[str], size: int | None, seed: int) -> list[Mutant]:
    """All of these files (by name without .py; none given: of all), or as many as were asked for."""
    chosen = [one for one in found if not only or Path(one.file).stem in only]
    rng = random.Random(seed)
    return rng.sample(chosen, len(chosen) if size is None else min(size, len(chosen)))


def tests_of(packages: Sequence[str]) -> list[str]:
    """The folders and files, below the root, of the tests of these packages."""
    named = dict.fromkeys(f"tests/{each}" for package in packages for each in ELSEWHERE.get(package, (package,)))
    return [path for path in named if (ROOT / path).exists()]


def run(scratch: Path, packages: Sequence[str], pending: Sequence[Mutant], children: int) -> int:
    """The packages' tests on each mutant; 2 when they fail on the package as it is."""
    shop = scratch / "shop"
    paths = [str(scratch), *(str(shop / root) for root in ("rules", "daemon"))]
    shutil.copy2(HERE / "loop.py", scratch)
    words = [
        "-p",
        "loop",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        "-q",
        "--no-header",
        "--assert=plain",
        "--tb=native",
    ]
    running = []
    for at in range(children):
        part = scratch / f"share_{at}.json"
        part.write_text(json.dumps([one.name for one in pending[at::children]]), encoding="utf-8")
        files = {"GATEHAND_MUTANTS": str(part), "GATEHAND_RESULTS": str(scratch / RESULTS)}
        data = os.environ.get("GATEHAND_DATA", str(ROOT.parent / "shared" / "data"))
        running.append(
            subprocess.Popen(  # noqa: S603 - our own interpreter, our own words
                [sys.executable, "-m", "pytest", *words, *tests_of(packages)],
                cwd=shop,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(paths), "GATEHAND_DATA": data, **files},
            )
        )
    return max(one.wait() for one in running)


def troubles(found: Sequence[Mutant], results: Mapping[str, str | None]) -> Iterator[str]:
    """What is wrong in equal.toml: an entry about nothing that is there, and one about what a test notices."""
    here = {one.file for one in found}
    known = Counter(one.change for one in found)
    noticed = {one.change: results[one.name] for one in found if results.get(one.name) is not None}
    for entry in judged():
        if entry.file not in here:
            continue
        where = f"{EQUAL.name}: {entry.file} {entry.function}: {entry.was} -> {entry.now}"
        if known[entry.change] != entry.times:
            yield f"{where}: stale: there are {known[entry.change]} such mutants, not {entry.times}"
        if entry.change in noticed:
            yield f"{where}: judged equal in effect, yet noticed by {noticed[entry.change]}"


def tell(found: Sequence[Mutant], results: Mapping[str, str | None]) -> float:
    """Print what was noticed, and what was not; the share of those not equal in effect that was noticed, in percent."""
    equal = {entry.change for entry in judged()}
    counts: dict[str, Counter[str]] = {}
    for one in sorted(found, key=lambda each: each.change):
        if one.name not in results:
            continue
        word = "noticed" if results[one.name] is not None else "equal" if one.change in equal else "not noticed"
        counts.setdefault(one.file, Counter())[word] += 1
        if word == "not noticed":
            print(f"{one.file} {one.function}\n  - {one.was}\n  + {one.now}")
    words = ("noticed", "not noticed", "equal")
    print(f"{'file':<32}" + "".join(f"{word:>13}" for word in words) + f"{'share':>9}")
    counts["all"] = sum(counts.values(), Counter())
    for file, count in counts.items():
        print(f"{file:<32}" + "".join(f"{count[word]:>13}" for word in words) + f"{_share(count):>7.1f} %")
    return _share(counts["all"])


def _share(count: Counter[str]) -> float:
    weighed = count["noticed"] + count["not noticed"]
    return 100 * count["noticed"] / weighed if weighed else 100.0
