"""Days by the hundred, told on the terminal: a day that breaks is shortened and printed with its one command."""

import time
from itertools import count

from sim_play import play
from sim_run import Total, played, seeds
from sim_shrink import shrink, story

AT_ONCE = 20
"""Days between two looks at whether it is time to end."""


def many(seed: str, days: int | None, hours: float | None = None, processes: int | None = None) -> bool:
    """Play so many days, or for so many hours of the machine's own time. Whether nothing broke."""
    total, began = Total(), time.monotonic()
    most = days if days is not None else (200 if hours is None else None)
    try:
        for first in count(0, AT_ONCE):
            left = AT_ONCE if most is None else min(AT_ONCE, most - first)
            over = hours is not None and time.monotonic() - began >= hours * 3600
            if left <= 0 or over or total.broken:
                break
            for day in played(seeds(seed, left, first), processes):
                total.add(day)
            if first and not first % 200:
                print(f"... {total.days} days, {time.monotonic() - began:.0f} s", flush=True)
    except KeyboardInterrupt:
        pass
    print(total)
    print(f"{time.monotonic() - began:.0f} s of the machine's own time")
    for day in total.broken[:3]:
        one(seed, int(day.seed.rsplit(".", 1)[1]))
    return not (total.broken or total.unexplained)


def one(seed: str, number: int) -> bool:
    """One day of a seed, with its story if it breaks."""
    day = play(f"{seed}.{number}")
    if not day.breaches:
        faults = sum(day.happened.values())
        print(f"day {number} of seed {seed}: nothing broke; {day.commands} commands, {faults} faults")
        return True
    print(f"\nshortening day {number} of seed {seed} ...", flush=True)
    kept, found = shrink(f"{seed}.{number}")
    print(story(f"{seed}.{number}", kept, found, f"python -m tests.sim --seed {seed} --only {number}"))
    return False
