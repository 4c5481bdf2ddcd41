"""How much of what is tried with the page is tried each time; `python -m tests.long page` tries all of it."""

import os
import random
from collections.abc import Iterable
from typing import Final, TypeVar

T = TypeVar("T")
COUNT: Final = int(os.environ.get("GATEHAND_PAGE", "60"))
"""Drawn examples; from `WHOLE` on nothing is left out of the lists either."""
SEED: Final = int(os.environ.get("GATEHAND_PAGE_SEED", "1"))
WHOLE: Final = 300


def sampled(every: Iterable[T], count: int, *, always: Iterable[T] = ()) -> list[T]:
    """So many of a list besides those that always count, drawn by the seed; in its order."""
    whole, kept = list(every), list(always)
    rest = [each for each in whole if each not in kept]
    drawn = rest if COUNT >= WHOLE else random.Random(SEED).sample(rest, min(count, len(rest)))
    return [each for each in whole if each in kept or each in drawn]
