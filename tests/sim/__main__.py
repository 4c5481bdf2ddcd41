"""`python -m tests.sim --days 200 --seed 7`: the fault simulation for as long as one wishes.

Plays shop-days from a seed until the days, or the hours of the machine's own time, are over. A day that breaks an
invariant is shortened to its shortest story and printed with the one command that repeats it. Exit code 1 then.
"""

import argparse
import sys
import time
from itertools import count
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from sim_play import play
from sim_run import Total, played, seeds
from sim_shrink import shrink, story


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
        return _one(f"{args.seed}.{args.only}", args.seed, args.only)
    total, began = Total(), time.monotonic()
    most = args.days if args.days is not None else (200 if args.hours is None else None)
    try:
        for first in count(0, 20):
            left = 20 if most is None else min(20, most - first)
            over = args.hours is not None and time.monotonic() - began >= args.hours * 3600
            if left <= 0 or over or total.broken:
                break
            for day in played(seeds(args.seed, left, first), args.processes):
                total.add(day)
            if first and not first % 200:
                print(f"... {total.days} days, {time.monotonic() - began:.0f} s", flush=True)
    except KeyboardInterrupt:
        pass
    print(total)
    print(f"{time.monotonic() - began:.0f} s of the machine's own time")
    for day in total.broken[:3]:
        number = int(day.seed.rsplit(".", 1)[1])
        _one(day.seed, args.seed, number)
    return 1 if total.broken or total.unexplained else 0


def _one(seed: str, base: str, number: int) -> int:
    day = play(seed)
    if not day.breaches:
        print(
            f"day {number} of seed {base}: nothing broke; {day.commands} commands, {sum(day.happened.values())} faults"
        )
        return 0
    print(f"\nshortening day {number} of seed {base} ...", flush=True)
    kept, found = shrink(seed)
    print(story(seed, kept, found, f"python -m tests.sim --seed {base} --only {number}"))
    return 1


if __name__ == "__main__":
    sys.exit(main())
