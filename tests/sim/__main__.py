"""`python -m tests.sim --days 200 --seed 7`: the fault simulation for as long as one wishes.

Plays shop-days from a seed until the days, or the hours of the machine's own time, are over. A day that breaks an
invariant is shortened to its shortest story and printed with the one command that repeats it. Exit code 1 then.
"""

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from sim_many import many, one


def main() -> int:
    """Read the options and play."""
    parser = argparse.ArgumentParser(prog="python -m tests.sim", description=__doc__.split("\n\n")[1])
    parser.add_argument("--seed", default="1", help="any text; the same one always gives the same days")
    parser.add_argument("--days", type=int, help="so many shop-days (default 200)")
    parser.add_argument("--hours", type=float, help="for so many hours of the machine's own time")
    parser.add_argument("--only", type=int, metavar="N", help="only day N of the seed, with its story if it breaks")
    parser.add_argument("--processes", type=int, help="default: one for each processor")
    args = parser.parse_args()
    if args.only is not None:
        return 0 if one(args.seed, args.only) else 1
    return 0 if many(args.seed, args.days, args.hours, args.processes) else 1


if __name__ == "__main__":
    sys.exit(main())
