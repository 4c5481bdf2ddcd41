"""`python -m tests.long NAME`: runs that are too long for every day, with their figure at the end; exit code 1: broken.

Each has a sample of its own in the ordinary tests.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

TESTS: Final = Path(__file__).parent
sys.path.insert(0, str(TESTS))
sys.path.insert(0, str(TESTS / "chaos"))
sys.path.insert(0, str(TESTS / "sim"))


def _double_kills(count: int, seed: int) -> bool:
    """Daemon and broker killed together with a hold: a cut must start nothing."""
    from double_kills import double_kills

    with tempfile.TemporaryDirectory(prefix="double-kills-") as folder:
        return double_kills(Path(folder), range(count), seed, _say) == 0


def _days(count: int, seed: int) -> bool:
    """Shop-days in which everything breaks."""
    from sim_many import many

    return many(str(seed), count)


def _situations(_count: int, _seed: int) -> bool:
    """Every situation of the small shops, the broker's coming and going to its end too (a quarter of an hour, 2 GB)."""
    import pytest

    os.environ["GATEHAND_WHOLE_WALKS"] = "1"
    return pytest.main(["-q", "-s", str(TESTS / "rules" / "test_exhaustive.py")]) == 0


RUNS: Final[dict[str, tuple[int, Callable[[int, int], bool]]]] = {
    "double_kills": (20, _double_kills),
    "days": (200, _days),
    "situations": (1, _situations),
}
"""Name: how many by default, and what gives whether all is well."""


def _say(text: str) -> None:
    print(text, flush=True)


def main() -> int:
    """Read the options and run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.long", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("name", choices=RUNS)
    parser.add_argument(
        "--count", type=int, help="how many; default: " + ", ".join(f"{n} {c}" for n, (c, _) in RUNS.items())
    )
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    default, play = RUNS[args.name]
    return 0 if play(args.count or default, args.seed) else 1


if __name__ == "__main__":
    sys.exit(main())
